//! What the bytes of a body may mean. Nothing is named that the bytes do not show.

use std::collections::BTreeSet;

use crate::Sureness;
use crate::binary::{Frame, Groups, Layout, body};
use crate::number::{Form, correlation, median};

/// A part of a body.
#[derive(Clone, PartialEq, Debug)]
pub struct Field {
    /// Where it begins in the body.
    pub at: usize,
    /// How it is encoded.
    pub form: Form,
    /// How often it stands there in a row.
    pub times: usize,
    /// What it seems to be.
    pub what: What,
    /// How sure that is.
    pub sureness: Sureness,
    /// What speaks for it.
    pub note: String,
}

/// What a part seems to be.
#[derive(Clone, PartialEq, Debug)]
pub enum What {
    /// Cell voltages.
    Cells {
        /// The place of the first one.
        from: usize,
        /// What one unit is in volts, as written in the file.
        volts: &'static str,
        /// Numbers that mean "no value".
        absent: Option<u64>,
    },
    /// The voltage of the pack.
    Pack {
        /// What one unit is in volts.
        volts: &'static str,
    },
    /// A voltage that rises to that of the pack.
    Bus {
        /// What one unit is in volts.
        volts: &'static str,
    },
    /// Temperatures.
    Temperatures {
        /// What one unit is.
        scale: &'static str,
        /// The unit.
        unit: &'static str,
        /// What is added.
        offset: i32,
        /// A number that means "no value".
        absent: Option<i64>,
    },
    /// It follows the load. Its scale is not known unless it is a float.
    Current {
        /// Whether it rises while the cells sag.
        discharge: bool,
    },
    /// The device's own clock: so many units a second.
    Clock {
        /// What one unit is in seconds.
        seconds: &'static str,
    },
    /// It counts the frames of its kind.
    Counter,
    /// Always the same bytes.
    Constant,
    /// A few values only.
    Few,
    /// Not known.
    Unknown,
    /// Bytes at the end that not every frame has.
    Rest,
}

impl Field {
    /// Bytes that it takes.
    pub fn len(&self) -> usize {
        self.form.width() * self.times
    }

    /// Whether it takes none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Whether the draft gives it a channel.
    pub fn has_channel(&self) -> bool {
        match self.what {
            What::Cells { .. } | What::Pack { .. } | What::Bus { .. } | What::Temperatures { .. } => {
                self.sureness <= Sureness::Likely
            }
            What::Clock { .. } | What::Counter => self.sureness <= Sureness::Likely,
            What::Current { .. } => self.form.is_float() && self.sureness <= Sureness::Likely,
            What::Constant | What::Few | What::Unknown | What::Rest => false,
        }
    }
}

/// Rows of a kind that are looked at.
const ROWS: usize = 1500;
/// A cell has a voltage between these; common practice, no source: empty LFP to a full high-voltage cell.
const CELL_VOLTS: (f64, f64) = (2.0, 4.4);

/// What is known of the rows of a kind.
struct Rows {
    bodies: Vec<Vec<u8>>,
    /// Seconds since the beginning.
    seconds: Vec<f64>,
    /// By row: the sum of all cells at that time in volts.
    totals: Vec<Option<f64>>,
    /// Bytes that are given a meaning already.
    taken: Vec<bool>,
    fields: Vec<Field>,
    /// The middle of the cells as sent; 0 without cells.
    cell_raw: f64,
}

impl Rows {
    fn len(&self) -> usize {
        self.taken.len()
    }

    fn free(&self, at: usize, width: usize) -> bool {
        self.taken.get(at..at + width).is_some_and(|taken| !taken.contains(&true))
    }

    fn take(&mut self, field: Field) {
        if let Some(taken) = self.taken.get_mut(field.at..field.at + field.len()) {
            taken.fill(true);
            self.fields.push(field);
        }
    }

    fn values(&self, form: Form, at: usize) -> Vec<f64> {
        self.bodies.iter().filter_map(|body| form.read(body, at)).collect()
    }

    fn constant(&self, at: usize) -> bool {
        let first = self.bodies.first().and_then(|body| body.get(at));
        self.bodies.iter().all(|body| body.get(at) == first)
    }
}

/// Names the parts of all kinds.
pub(crate) fn name(layout: &mut Layout, frames: &[Frame], groups: &Groups, trailer: usize, timed: bool) {
    let mut kinds: Vec<Rows> = layout
        .kinds
        .iter()
        .zip(groups)
        .map(|(kind, (_, rows))| {
            let length = if kind.cut_zeros { kind.body.1 } else { kind.body.0 };
            let frames: Vec<&Frame> = rows.iter().take(ROWS).filter_map(|row| frames.get(*row)).collect();
            let bodies = frames.iter().filter_map(|frame| body(layout, trailer, &frame.bytes)).map(|body| {
                let mut body = body.to_vec();
                body.resize(length, 0);
                body
            });
            let bodies: Vec<Vec<u8>> = bodies.collect();
            Rows {
                totals: vec![None; bodies.len()],
                bodies,
                seconds: frames.iter().map(|frame| frame.at.nanos as f64 / 1e9).collect(),
                taken: vec![false; length],
                fields: Vec::new(),
                cell_raw: 0.0,
            }
        })
        .collect();
    find_cells(&mut kinds);
    let raws = kinds.iter().filter_map(|rows| {
        let field = rows.fields.first()?;
        Some(median(&mut rows.values(field.form, field.at)))
    });
    let cell_raw = median(&mut raws.collect::<Vec<f64>>());
    for rows in &mut kinds {
        rows.cell_raw = cell_raw;
    }
    let cells: usize = kinds.iter().flat_map(|rows| &rows.fields).map(|field| field.times).sum();
    totals(&mut kinds, groups, frames.len());
    for rows in &mut kinds {
        clocks_and_counters(rows, timed);
    }
    if 0 < cells {
        sums(&mut kinds);
        for rows in &mut kinds {
            current(rows);
        }
    }
    let sure_sum = kinds
        .iter()
        .flat_map(|rows| &rows.fields)
        .any(|field| matches!(field.what, What::Pack { .. }) && field.sureness == Sureness::Sure);
    for rows in &mut kinds {
        temperatures(rows);
        for field in &mut rows.fields {
            if sure_sum && matches!(field.what, What::Cells { .. }) && field.sureness == Sureness::Likely {
                field.sureness = Sureness::Sure;
                field.note.push_str("; a pack voltage follows their sum");
            }
        }
        rest(rows);
    }
    for (kind, rows) in layout.kinds.iter_mut().zip(kinds) {
        kind.fields = rows.fields;
        kind.fields.sort_by_key(|field| field.at);
        if !kind.cut_zeros && kind.body.0 < kind.body.1 {
            kind.fields.push(Field {
                at: kind.body.0,
                form: Form::BYTE,
                times: kind.body.1 - kind.body.0,
                what: What::Rest,
                sureness: Sureness::Guess,
                note: "bytes that not every frame of this kind has".to_owned(),
            });
        }
    }
}

/// A row of numbers that look like cells.
struct Run {
    at: usize,
    form: Form,
    count: usize,
    volts: &'static str,
    absent: Option<u64>,
    middle: f64,
    spread: f64,
    /// How much neighbours and followers differ: misread bytes jump where a low byte wraps.
    jumps: f64,
    variety: usize,
}

fn find_cells(kinds: &mut [Rows]) {
    let mut runs: Vec<(usize, Run)> = Vec::new();
    for (index, rows) in kinds.iter().enumerate() {
        if let Some(run) = best_run(rows) {
            runs.push((index, run));
        }
    }
    // Tenths of a kelvin between 5 and 42 degC read as 2.78 to 3.15 V.
    let warm = |run: &Run| run.volts == "0.001" && 2.78 < run.middle && run.middle < 3.15;
    let others = runs.iter().filter(|(_, run)| !warm(run)).map(|(_, run)| run.count).max().unwrap_or(0);
    runs.retain(|(_, run)| !warm(run) || (others < run.count && 8 < run.count));
    // Those of one pack are alike: the longest run says how.
    let Some(model) = runs.iter().map(|(_, run)| run).max_by_key(|run| run.count) else { return single_cells(kinds) };
    let (form, volts, middle) = (model.form, model.volts, model.middle);
    runs.retain(|(_, run)| run.form == form && run.volts == volts && (run.middle - middle).abs() < 0.5);
    let several = 1 < runs.len();
    let mut from = 1;
    for (index, run) in runs {
        let Some(rows) = kinds.get_mut(index) else { continue };
        let sureness = if 6 <= run.count && 6 <= run.variety || 3 <= run.count && 12 <= run.variety {
            Sureness::Likely
        } else {
            Sureness::Guess
        };
        let mut note = format!(
            "{} numbers in a row about {:.3} V, {:.0} mV from lowest to highest, {} different values",
            run.count,
            run.middle,
            run.spread * 1e3,
            run.variety
        );
        if several {
            note.push_str("; that the places go on from kind to kind is a guess");
        }
        rows.take(Field {
            at: run.at,
            form: run.form,
            times: run.count,
            what: What::Cells { from, volts: run.volts, absent: run.absent },
            sureness,
            note,
        });
        from += run.count;
    }
}

/// Kinds that hold one number each, several of them alike.
fn single_cells(kinds: &mut [Rows]) {
    for form in [Form::Unsigned { bytes: 2, big: false }, Form::Unsigned { bytes: 2, big: true }] {
        let mut found: Vec<(usize, f64)> = Vec::new();
        for (index, rows) in kinds.iter().enumerate() {
            let mut values = rows.values(form, 0);
            let different: BTreeSet<u64> = values.iter().map(|value| *value as u64).collect();
            let low = values.iter().copied().fold(f64::MAX, f64::min) / 1e3;
            let middle = median(&mut values) / 1e3;
            let fits = CELL_VOLTS.0 <= middle && middle <= CELL_VOLTS.1 && !(2.78..3.15).contains(&middle);
            if rows.len() == 2 && 8 <= rows.bodies.len() && fits && 2 <= different.len() && middle - low < 0.5 {
                found.push((index, middle));
            }
        }
        let mut middles: Vec<f64> = found.iter().map(|(_, middle)| *middle).collect();
        let middle = median(&mut middles);
        found.retain(|(_, value)| (value - middle).abs() < 0.15);
        if found.len() < 3 {
            continue;
        }
        let note =
            format!("{} kinds hold one number each about {middle:.3} V; which is which place is a guess", found.len());
        for (from, (index, _)) in (1..).zip(found) {
            let what = What::Cells { from, volts: "0.001", absent: None };
            let field = Field { at: 0, form, times: 1, what, sureness: Sureness::Likely, note: note.clone() };
            if let Some(rows) = kinds.get_mut(index) {
                rows.take(field);
            }
        }
        return;
    }
}

fn best_run(rows: &Rows) -> Option<Run> {
    let mut best: Option<Run> = None;
    for big in [true, false] {
        let whole = [("0.001", 1e-3), ("0.0001", 1e-4)];
        let wide = [("0.001", 1e-3), ("0.0001", 1e-4), ("0.000001", 1e-6)];
        let volt = [("1", 1.0)];
        let forms: [(Form, &[(&'static str, f64)]); 4] = [
            (Form::Unsigned { bytes: 2, big }, &whole),
            (Form::Unsigned { bytes: 4, big }, &wide),
            (Form::Float { bytes: 4, big }, &volt),
            (Form::Float { bytes: 2, big }, &volt),
        ];
        for (form, scales) in forms {
            for (volts, scale) in scales {
                for run in runs_of(rows, form, volts, *scale) {
                    let better = match &best {
                        None => true,
                        Some(known) => {
                            let (mine, theirs) = (run.count * form.width(), known.count * known.form.width());
                            // Bytes that are read one place off jump where a low byte does; of what is as smooth the
                            // one that begins earlier is right.
                            let beside = mine.abs_diff(theirs) <= 2 * form.width();
                            let smoother = run.jumps < known.jumps * if mine == theirs { 0.999 } else { 0.5 };
                            let rougher = known.jumps < run.jumps * if mine == theirs { 0.999 } else { 0.5 };
                            match (beside, smoother, rougher) {
                                (true, true, _) => true,
                                (true, _, true) => false,
                                _ => theirs < mine || (theirs == mine && run.at < known.at),
                            }
                        }
                    };
                    if better {
                        best = Some(run);
                    }
                }
            }
        }
    }
    best
}

fn runs_of(rows: &Rows, form: Form, volts: &'static str, scale: f64) -> Vec<Run> {
    let step = rows.bodies.len().div_ceil(160).max(1);
    let bodies: Vec<&[u8]> = rows.bodies.iter().step_by(step).map(Vec::as_slice).collect();
    let width = form.width();
    if bodies.len() < 3 || rows.len() < width {
        return Vec::new();
    }
    let in_range = |value: f64| CELL_VOLTS.0 <= value * scale && value * scale <= CELL_VOLTS.1;
    // By place: whether it looks like a cell, or is always the marker for none.
    let marker = |value: f64| !form.is_float() && (value < 0.5 || (value - 65_535.0).abs() < 0.5);
    let looks: Vec<Option<bool>> = (0..=rows.len() - width)
        .map(|at| {
            let values: Vec<f64> = bodies.iter().filter_map(|body| form.read(body, at)).collect();
            let good = values.iter().filter(|value| in_range(**value)).count();
            if bodies.len() * 6 <= good * 10 {
                return Some(true);
            }
            let first = *values.first()?;
            (marker(first) && values.iter().all(|value| value.to_bits() == first.to_bits())).then_some(false)
        })
        .collect();
    let mut found = Vec::new();
    for begin in 0..looks.len() {
        let before = begin.checked_sub(width).and_then(|before| looks.get(before)).copied().flatten();
        if looks.get(begin).copied().flatten() != Some(true) || before == Some(true) {
            continue;
        }
        let mut places: Vec<(usize, bool)> = Vec::new();
        let mut at = begin;
        while let Some(Some(cell)) = looks.get(at) {
            places.push((at, *cell));
            at += width;
        }
        while places.last().is_some_and(|(_, cell)| !cell) {
            places.pop();
        }
        if let Some(run) = tight(&bodies, form, volts, scale, &places) {
            found.push(run);
        }
    }
    found
}

/// The longest part of a row of numbers that are close to each other.
fn tight(bodies: &[&[u8]], form: Form, volts: &'static str, scale: f64, places: &[(usize, bool)]) -> Option<Run> {
    let column =
        |at: usize| -> Vec<f64> { bodies.iter().filter_map(|body| form.read(body, at)).map(|v| v * scale).collect() };
    let middles: Vec<f64> =
        places.iter().map(|(at, cell)| if *cell { median(&mut column(*at)) } else { f64::NAN }).collect();
    let mut best: (usize, usize) = (0, 0);
    for from in 0..places.len() {
        let (mut low, mut high) = (f64::MAX, f64::MIN);
        for (to, middle) in middles.iter().enumerate().skip(from) {
            if !middle.is_nan() {
                low = low.min(*middle);
                high = high.max(*middle);
            }
            if 0.35 < high - low {
                break;
            }
            if best.1 - best.0 < to + 1 - from && !middle.is_nan() && middles.get(from).is_some_and(|one| !one.is_nan())
            {
                best = (from, to + 1);
            }
        }
    }
    let places = without_sum(bodies, form, places.get(best.0..best.1)?);
    let cells: Vec<usize> = places.iter().filter(|(_, cell)| *cell).map(|(at, _)| *at).collect();
    if cells.len() < 3 || cells.len() * 2 < places.len() {
        return None;
    }
    let columns: Vec<Vec<f64>> = cells.iter().map(|at| column(*at)).collect();
    let mut values: BTreeSet<u64> = BTreeSet::new();
    let mut jumps = 0.0;
    for (index, one) in columns.iter().enumerate() {
        values.extend(one.iter().map(|value| (value / scale).to_bits()));
        jumps += one
            .windows(2)
            .map(|pair| (pair.iter().sum::<f64>() - 2.0 * pair.first().unwrap_or(&0.0)).abs())
            .sum::<f64>();
        if let Some(next) = columns.get(index + 1) {
            jumps += one.iter().zip(next).map(|(one, two)| (one - two).abs()).sum::<f64>();
        }
    }
    if values.len() < 3 {
        return None;
    }
    let mut all: Vec<f64> = columns.iter().map(|column| median(&mut column.clone())).collect();
    let spread = all.iter().copied().fold(f64::MIN, f64::max) - all.iter().copied().fold(f64::MAX, f64::min);
    let absent =
        places.iter().find(|(_, cell)| !cell).and_then(|(at, _)| Some(form.read(bodies.first()?, *at)? as u64));
    Some(Run {
        at: places.first()?.0,
        form,
        count: places.len(),
        volts,
        absent,
        middle: median(&mut all),
        spread,
        jumps: jumps / cells.len() as f64,
        variety: values.len(),
    })
}

/// The same without a number at either end that is the sum of the others in hundredths of their unit: a pack voltage
/// of ten cells or so looks like a cell.
fn without_sum<'p>(bodies: &[&[u8]], form: Form, places: &'p [(usize, bool)]) -> &'p [(usize, bool)] {
    let is_sum = |one: &(usize, bool), others: &[(usize, bool)]| {
        let mut errors: Vec<f64> = bodies
            .iter()
            .filter_map(|body| {
                let parts = others.iter().filter(|(_, cell)| *cell).filter_map(|(at, _)| form.read(body, *at));
                Some((form.read(body, one.0)? * 10.0 / parts.sum::<f64>() - 1.0).abs())
            })
            .collect();
        6 <= others.len() && others.len() <= 14 && median(&mut errors) < 0.003
    };
    match places {
        [first, rest @ ..] if is_sum(first, rest) && rest.len() != 10 => rest,
        [rest @ .., last] if is_sum(last, rest) && rest.len() != 10 => rest,
        _ => places,
    }
}

/// Works out the sum of all cells at each row: of each kind with cells, the newest.
fn totals(kinds: &mut [Rows], groups: &Groups, count: usize) {
    let mut order: Vec<(usize, usize)> = vec![(usize::MAX, 0); count];
    for (kind, (_, rows)) in groups.iter().enumerate() {
        for (row, frame) in rows.iter().enumerate() {
            if let Some(place) = order.get_mut(*frame) {
                *place = (kind, row);
            }
        }
    }
    let mut newest: Vec<Option<f64>> = vec![None; kinds.len()];
    let with_cells: Vec<usize> =
        kinds.iter().enumerate().filter(|(_, rows)| !rows.fields.is_empty()).map(|(index, _)| index).collect();
    if with_cells.is_empty() {
        return;
    }
    for (kind, row) in order {
        let Some(rows) = kinds.get_mut(kind) else { continue };
        if let Some(field) = rows.fields.first()
            && let Some(body) = rows.bodies.get(row)
            && let What::Cells { volts, absent, .. } = field.what
        {
            let values =
                (0..field.times).filter_map(|index| field.form.read(body, field.at + index * field.form.width()));
            let values = values.filter(|value| absent.is_none_or(|absent| 0.5 < (*value - absent as f64).abs()));
            let scale: f64 = volts.parse().unwrap_or(0.0);
            if let Some(place) = newest.get_mut(kind) {
                *place = Some(values.sum::<f64>() * scale);
            }
        }
        let total: Option<f64> = with_cells.iter().map(|kind| newest.get(*kind).copied().flatten()).sum();
        if let Some(place) = rows.totals.get_mut(row) {
            *place = total;
        }
    }
}

const SCALES: [(&str, f64); 10] = [
    ("0.001", 0.001),
    ("0.01", 0.01),
    ("0.1", 0.1),
    ("1", 1.0),
    ("0.002", 0.002),
    ("0.005", 0.005),
    ("0.02", 0.02),
    ("0.05", 0.05),
    ("0.0001", 0.0001),
    ("0.000001", 0.000_001),
];

/// Numbers that follow the sum of the cells: the pack voltage, and one that rises to it.
fn sums(kinds: &mut [Rows]) {
    for rows in kinds {
        let mut found: Vec<(f64, Field)> = Vec::new();
        for big in [false, true] {
            let forms = [
                Form::Unsigned { bytes: 2, big },
                Form::Unsigned { bytes: 4, big },
                Form::Float { bytes: 2, big },
                Form::Float { bytes: 4, big },
            ];
            for form in forms {
                for at in 0..rows.len() {
                    if rows.free(at, form.width()) {
                        found.extend(sum_at(rows, form, at));
                    }
                }
            }
        }
        found.sort_by(|one, two| one.1.sureness.cmp(&two.1.sureness).then(one.0.total_cmp(&two.0)));
        let pack = found.iter().find(|(_, field)| matches!(field.what, What::Pack { .. })).cloned();
        let Some((_, pack)) = pack else { continue };
        let What::Pack { volts } = pack.what else { continue };
        let form = pack.form;
        rows.take(pack);
        let scale: f64 = volts.parse().unwrap_or(0.0);
        // Another one of the same shape that begins low and ends near it.
        for at in 0..rows.len() {
            if !rows.free(at, form.width()) {
                continue;
            }
            let ratios = rows.bodies.iter().zip(&rows.totals);
            let ratios: Vec<f64> =
                ratios.filter_map(|(body, total)| Some(form.read(body, at)? * scale / (*total)?)).collect();
            let near = ratios.iter().filter(|ratio| (0.97..1.02).contains(*ratio)).count();
            let low = ratios.iter().filter(|ratio| **ratio < 0.9).count();
            let high = ratios.iter().filter(|ratio| 1.02 <= **ratio).count();
            if ratios.len() * 15 <= near * 100 && ratios.len() <= low * 20 && high * 50 < ratios.len() {
                let note = format!(
                    "at the pack's scale it is near the pack voltage in {near} of {} frames and below in {low}",
                    ratios.len()
                );
                let what = What::Bus { volts };
                rows.take(Field { at, form, times: 1, what, sureness: Sureness::Likely, note });
                break;
            }
        }
    }
}

fn sum_at(rows: &Rows, form: Form, at: usize) -> Option<(f64, Field)> {
    let pairs: Vec<(f64, f64)> = rows
        .bodies
        .iter()
        .zip(&rows.totals)
        .filter_map(|(body, total)| Some((form.read(body, at)?, (*total)?)))
        .collect();
    if pairs.len() < 8 {
        return None;
    }
    let (values, totals): (Vec<f64>, Vec<f64>) = pairs.iter().copied().unzip();
    let middle = median(&mut totals.clone());
    let value = median(&mut values.clone());
    let scales = SCALES
        .iter()
        .filter(|(_, scale)| if form.is_float() { (scale - 1.0).abs() < 0.5 } else { scale / middle < 0.004 });
    for (volts, scale) in scales {
        if 0.01 < (value * scale / middle - 1.0).abs() {
            continue;
        }
        let mut errors: Vec<f64> = pairs.iter().map(|(value, total)| (value * scale / total - 1.0).abs()).collect();
        let error = median(&mut errors);
        let far = errors.iter().filter(|error| 0.03 < **error).count();
        if pairs.len() < 10 * far {
            continue;
        }
        let low = totals.iter().copied().fold(f64::MAX, f64::min);
        let high = totals.iter().copied().fold(f64::MIN, f64::max);
        let follows = correlation(&values, &totals);
        let moved = (high - low) / scale.max(middle * 1e-4);
        // Ten cells in thousandths of a volt have a sum that reads as one cell in hundredths.
        let one_cell = !form.is_float() && (0.97..1.03).contains(&(value / rows.cell_raw));
        let sureness = if one_cell {
            Sureness::Guess
        } else if 0.9 < follows && 4.0 < moved && error < 0.006 {
            Sureness::Sure
        } else if error < 0.0015 && (0.6 < follows || moved < 4.0) {
            Sureness::Likely
        } else {
            return None;
        };
        let note = format!(
            "{:.2} % from the sum of the cells in the median of {} frames, which went from {low:.2} to {high:.2} V; follows it with a correlation of {follows:.2}",
            error * 100.0,
            pairs.len()
        );
        return Some((error, Field { at, form, times: 1, what: What::Pack { volts }, sureness, note }));
    }
    None
}

/// Numbers that rise by one from frame to frame, and numbers that rise with time.
fn clocks_and_counters(rows: &mut Rows, timed: bool) {
    for bytes in [4, 3, 2, 1] {
        for big in [false, true] {
            let form = Form::Unsigned { bytes, big };
            for at in 0..rows.len() {
                if !rows.free(at, bytes) || (bytes == 1 && big) {
                    continue;
                }
                // Its low byte moves, and its high byte moves or is zero.
                let (high, low) = if big { (at, at + bytes - 1) } else { (at + bytes - 1, at) };
                let idle = rows.constant(high) && rows.values(Form::BYTE, high).first() != Some(&0.0);
                if rows.constant(low) || idle {
                    continue;
                }
                if let Some(field) = counts(rows, form, at, high).or_else(|| clock(rows, form, at, timed)) {
                    rows.take(field);
                }
            }
        }
    }
}

fn steps(values: &[f64], form: Form) -> Vec<f64> {
    let wrap = 2_f64.powi(8 * i32::try_from(form.width()).unwrap_or(1));
    let step = |pair: &[f64]| match pair {
        [one, two] => (two - one).rem_euclid(wrap),
        _ => 0.0,
    };
    values.windows(2).map(step).collect()
}

fn counts(rows: &Rows, form: Form, at: usize, high: usize) -> Option<Field> {
    let values = rows.values(form, at);
    if values.len() < 12 || (1 < form.width() && rows.constant(high)) {
        return None;
    }
    let steps = steps(&values, form);
    let ones = steps.iter().filter(|step| (**step - 1.0).abs() < 0.5).count();
    let few = steps.iter().filter(|step| 1.0 <= **step && **step < 16.0).count();
    if ones * 100 < steps.len() * 80 || few * 100 < steps.len() * 95 {
        return None;
    }
    let wrapped = values.windows(2).any(|pair| pair.first() > pair.last());
    let mut note = format!("rises by one in {ones} of {} steps", steps.len());
    note.push_str(if wrapped { ", and starts again at zero" } else { "; that it starts again at zero was not seen" });
    let sureness = if wrapped || 1 < form.width() { Sureness::Sure } else { Sureness::Likely };
    Some(Field { at, form, times: 1, what: What::Counter, sureness, note })
}

fn clock(rows: &Rows, form: Form, at: usize, timed: bool) -> Option<Field> {
    let values = rows.values(form, at);
    if form.width() < 2 || values.len() < 12 || !timed {
        return None;
    }
    let half = 2_f64.powi(8 * i32::try_from(form.width()).unwrap_or(1) - 1);
    let steps = steps(&values, form);
    let forward = steps.iter().filter(|step| **step < half).count();
    let moves = steps.iter().filter(|step| 0.0 < **step).count();
    if forward * 100 < steps.len() * 98 || moves * 20 < steps.len() {
        return None;
    }
    let begin = *rows.seconds.first()?;
    let length = rows.seconds.last()? - begin;
    let run: f64 = steps.iter().filter(|step| **step < half).sum();
    if length < 2.0 || run < 16.0 {
        return None;
    }
    let rate = run / length;
    let units = [("0.001", 1000.0), ("1", 1.0), ("0.01", 100.0), ("0.1", 10.0), ("0.000001", 1e6)];
    let (seconds, _) = units.into_iter().find(|(_, units)| (rate / units - 1.0).abs() < 0.01)?;
    // All the way, not from end to end only.
    let mut reached = 0.0;
    let mut worst: f64 = 0.0;
    for (step, second) in steps.iter().zip(rows.seconds.iter().skip(1)) {
        reached += if *step < half { *step } else { 0.0 };
        worst = worst.max((reached / rate - (second - begin)).abs());
    }
    if 0.25_f64.max(length * 0.01) + 1.5 / rate < worst {
        return None;
    }
    let note = format!("rises by {rate:.1} a second over {length:.0} s, never more than {:.0} ms off", worst * 1e3);
    Some(Field { at, form, times: 1, what: What::Clock { seconds }, sureness: Sureness::Sure, note })
}

/// By byte: whether it belongs to a number that is always near the cells, and may be one more of them.
fn cell_like(rows: &Rows) -> Vec<bool> {
    let mut like = vec![false; rows.len()];
    for big in [false, true] {
        let form = Form::Unsigned { bytes: 2, big };
        for at in 0..rows.len().saturating_sub(1) {
            let values = rows.values(form, at);
            let near = values.iter().filter(|value| (0.95..1.05).contains(&(*value / rows.cell_raw))).count();
            if 0 < near && values.len() * 9 <= near * 10 {
                like.iter_mut().skip(at).take(2).for_each(|like| *like = true);
            }
        }
    }
    like
}

/// A number that goes with the sag of the cells.
fn current(rows: &mut Rows) {
    let known: Vec<f64> = rows.totals.iter().flatten().copied().collect();
    let low = known.iter().copied().fold(f64::MAX, f64::min);
    let high = known.iter().copied().fold(f64::MIN, f64::max);
    if known.len() < 20 || high - low < high * 0.001 {
        return;
    }
    let cell_like = cell_like(rows);
    let mut best: Option<(f64, Field)> = None;
    for big in [false, true] {
        let forms = [
            Form::Signed { bytes: 4, big },
            Form::Float { bytes: 4, big },
            Form::Signed { bytes: 2, big },
            Form::Float { bytes: 2, big },
        ];
        for form in forms {
            for at in 0..rows.len() {
                let beside = cell_like.get(at..at + form.width()).is_none_or(|like| like.contains(&true));
                if beside || !rows.free(at, form.width()) {
                    continue;
                }
                let pairs: Vec<(f64, f64)> = rows
                    .bodies
                    .iter()
                    .zip(&rows.totals)
                    .filter_map(|(body, total)| Some((form.read(body, at)?, (*total)?)))
                    .collect();
                if pairs.len() < 20 || pairs.len() < known.len() * 9 / 10 {
                    continue;
                }
                let (values, totals): (Vec<f64>, Vec<f64>) = pairs.into_iter().unzip();
                // A float of another kind of number is tiny or huge.
                let amperes = |value: &f64| value.abs() < 1e-6 || (1e-3..2000.0).contains(&value.abs());
                let most = values.iter().map(|value| value.abs()).fold(0.0, f64::max);
                if form.is_float() && (most < 0.5 || !values.iter().all(amperes)) {
                    continue;
                }
                let follows = correlation(&values, &totals);
                let far = |values: &[f64]| -> Vec<f64> {
                    values.windows(6).map(|six| six.last().unwrap_or(&0.0) - six.first().unwrap_or(&0.0)).collect()
                };
                let moves = correlation(&far(&values), &far(&totals));
                if follows.abs() < 0.85 || moves.abs() < 0.7 || (follows < 0.0) != (moves < 0.0) {
                    continue;
                }
                // Four bytes where the upper two are the sign, or say a little more than two could.
                let wide = form.width() == 4 && !form.is_float();
                let needed = values.iter().any(|value| *value < 0.0) || 32_767.0 < most;
                if wide && (!needed || 2e6 < most) {
                    continue;
                }
                let different: BTreeSet<u64> = values.iter().map(|value| value.to_bits()).collect();
                let fine = different.len().min(64) as f64 / 64.0;
                let low = if matches!(form, Form::Signed { big: true, .. }) { at + form.width() - 1 } else { at };
                // The low byte of a number moves most.
                let moves_low: BTreeSet<u64> =
                    rows.values(Form::BYTE, low).iter().map(|value| value.to_bits()).collect();
                if !form.is_float() && moves_low.len() < (different.len() / 4).clamp(if wide { 8 } else { 2 }, 16) {
                    continue;
                }
                // A voltage that sags as well moves by a small share of itself.
                let lowest = values.iter().copied().fold(f64::MAX, f64::min);
                let highest = values.iter().copied().fold(f64::MIN, f64::max);
                if highest - lowest < 0.25 * most {
                    continue;
                }
                let score = follows.abs() + moves.abs() + 0.02 * fine + if wide { 0.03 } else { 0.0 };
                if best.as_ref().is_none_or(|(known, _)| *known < score) {
                    let note = format!("goes with the cells: correlation {follows:.2}, of its changes {moves:.2}");
                    let what = What::Current { discharge: follows < 0.0 };
                    best = Some((score, Field { at, form, times: 1, what, sureness: Sureness::Likely, note }));
                }
            }
        }
    }
    if let Some((_, field)) = best {
        rows.take(field);
    }
}

/// Neighbours that look like temperatures: near those of a room, slow, close to each other.
fn temperatures(rows: &mut Rows) {
    let mut best: Option<(usize, Field)> = None;
    for big in [true, false] {
        let signed = Form::Signed { bytes: 2, big };
        let tries = [
            (signed, "0.1", 0.1, "degC", 0),
            (Form::Unsigned { bytes: 2, big }, "0.1", 0.1, "K", 0),
            (signed, "0.01", 0.01, "degC", 0),
            (Form::BYTE, "1", 1.0, "degC", -40),
        ];
        for (form, scale, factor, unit, offset) in tries {
            let zero = if unit == "K" { -273.15 } else { f64::from(offset) };
            let width = form.width();
            let mut at = 0;
            while at < rows.len() {
                let mut count = 0;
                let mut middles: Vec<f64> = Vec::new();
                let mut absent: Option<i64> = None;
                let mut different = BTreeSet::new();
                let mut some_move = false;
                while rows.free(at + count * width, width) {
                    let raw = rows.values(form, at + count * width);
                    let first = raw.first().copied().unwrap_or(0.0);
                    let same = raw.iter().all(|value| value.to_bits() == first.to_bits());
                    let marker = same && 0 < count && [32_767.0, 65_535.0, -32_768.0].contains(&first);
                    if marker && absent.is_none_or(|known| known == first as i64) {
                        absent = Some(first as i64);
                        count += 1;
                        continue;
                    }
                    let celsius: Vec<f64> = raw.iter().map(|value| value * factor + zero).collect();
                    let middle = median(&mut celsius.clone());
                    let slow = celsius.windows(2).filter(|pair| match pair {
                        [one, two] => (one - two).abs() <= 1.5,
                        _ => false,
                    });
                    let near = middles.first().is_none_or(|first: &f64| (first - middle).abs() < 10.0);
                    let usual = (4.0..=55.0).contains(&middle);
                    let sane = celsius.iter().filter(|value| (-40.0..=120.0).contains(*value)).count();
                    if !usual
                        || !near
                        || (slow.count() + 1) * 100 < celsius.len() * 95
                        || sane * 100 < celsius.len() * 60
                    {
                        break;
                    }
                    some_move |= !same;
                    different.extend(raw.iter().map(|value| *value as i64));
                    middles.push(middle);
                    count += 1;
                }
                let found = middles.len();
                let wide = width == 2;
                if 2 <= found && some_move && 3 <= different.len() {
                    let sureness = if wide && (3 <= found || unit == "K") { Sureness::Likely } else { Sureness::Guess };
                    let note = format!("{found} neighbours about {:.1} degC that change slowly", median(&mut middles));
                    let what = What::Temperatures { scale, unit, offset, absent };
                    let field = Field { at, form, times: count, what, sureness, note };
                    let score = found * width * if sureness == Sureness::Likely { 4 } else { 1 };
                    let earlier = |(known, best): &(usize, Field)| *known == score && field.at < best.at;
                    if best.as_ref().is_none_or(|best| best.0 < score || earlier(best)) {
                        best = Some((score, field));
                    }
                }
                at += 1;
            }
        }
    }
    if let Some((_, field)) = best {
        rows.take(field);
    }
}

/// What is left, in pieces that are constant, have few values, or are not known.
fn rest(rows: &mut Rows) {
    let mut at = 0;
    while at < rows.len() {
        if !rows.free(at, 1) {
            at += 1;
            continue;
        }
        let class = |at: usize| -> Option<What> {
            if !rows.free(at, 1) {
                return None;
            }
            let values: BTreeSet<u8> = rows.bodies.iter().filter_map(|body| body.get(at).copied()).collect();
            Some(match values.len() {
                0 | 1 => What::Constant,
                2..=6 if 24 <= rows.bodies.len() => What::Few,
                _ => What::Unknown,
            })
        };
        let Some(what) = class(at) else { break };
        let mut end = at + 1;
        // A byte with few values is told alone.
        while what != What::Few && end < rows.len() && class(end).as_ref() == Some(&what) {
            end += 1;
        }
        let note = match what {
            What::Constant => {
                let bytes = rows.bodies.first().and_then(|body| body.get(at..end)).unwrap_or(&[]);
                let shown: Vec<String> = bytes.iter().take(12).map(|byte| format!("{byte:02X}")).collect();
                format!("always {}{}", shown.join(" "), if 12 < bytes.len() { " ..." } else { "" })
            }
            What::Few => few(rows, at),
            _ => unknown(rows, at, end),
        };
        rows.take(Field { at, form: Form::BYTE, times: end - at, what, sureness: Sureness::Guess, note });
        at = end;
    }
}

fn few(rows: &Rows, at: usize) -> String {
    let values: BTreeSet<u8> = rows.bodies.iter().filter_map(|body| body.get(at).copied()).collect();
    let shown: Vec<String> = values.iter().map(|value| format!("{value:02X}")).collect();
    let column = rows.values(Form::BYTE, at);
    let changes = column.windows(2).filter(|pair| pair.first() != pair.last()).count();
    format!("only {}, {changes} changes: bits, a state, or the high byte of a number", shown.join(", "))
}

fn unknown(rows: &Rows, at: usize, end: usize) -> String {
    let mut note = "not known".to_owned();
    if end - at == 1 {
        let column = rows.values(Form::BYTE, at);
        let low = column.iter().copied().fold(f64::MAX, f64::min);
        let high = column.iter().copied().fold(f64::MIN, f64::max);
        note = format!("not known, from {low} to {high}");
        let changes = column.windows(2).filter(|pair| pair.first() != pair.last()).count();
        if high <= 100.0 && changes * 10 < column.len() {
            note.push_str("; slow and never above 100: a charge in percent would look like this");
        }
    }
    note
}
