//! Random layouts, encoded here and not by the program's encoder: what is found of them, how often, and what is never claimed.

#![expect(clippy::print_stdout, reason = "rates are told, and misses where they are asked for")]

use identify::{Capture, Layout, Length, Outcome, What, identify};
use model::SessionTime;
use parser::{Checksum, SimpleChecksum};

/// splitmix64 (constants from memory).
struct Dice(u64);

impl Dice {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let state = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let state = (state ^ (state >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        state ^ (state >> 31)
    }

    fn below(&mut self, count: usize) -> usize {
        (self.bits() % count as u64) as usize
    }

    fn happens(&mut self, percent: usize) -> bool {
        self.below(100) < percent
    }
}

#[derive(Clone, Copy, PartialEq, Debug)]
enum Piece {
    Cells,
    Counter,
    Pack,
    Current,
    Temperatures,
    Flags,
    Zeros,
}

struct Truth {
    start: Vec<u8>,
    id: bool,
    size: bool,
    pieces: Vec<Vec<Piece>>,
    cells: usize,
    big: bool,
    check: (String, Checksum),
    check_big: bool,
    first: usize,
}

impl Truth {
    fn draw(dice: &mut Dice) -> Self {
        let start = (0..1 + dice.below(4)).map(|_| 0x80 | dice.bits() as u8).collect::<Vec<u8>>();
        let kinds = 1 + dice.below(3);
        let mut pieces = vec![Vec::new(); kinds];
        let rest = [Piece::Counter, Piece::Pack, Piece::Current, Piece::Temperatures, Piece::Flags, Piece::Zeros];
        pieces[0].push(Piece::Cells);
        for piece in rest {
            let kind = dice.below(kinds);
            pieces[kind].push(piece);
        }
        for list in &mut pieces {
            for index in (1..list.len()).rev() {
                list.swap(index, dice.below(index + 1));
            }
            if list.is_empty() {
                list.push(Piece::Temperatures);
            }
        }
        let crcs: Vec<&str> = Checksum::crc_names().collect();
        let check = if dice.happens(75) {
            let name = crcs[dice.below(crcs.len())];
            (name.to_owned(), Checksum::crc_named(name).expect("a name of the catalogue"))
        } else {
            let kind = SimpleChecksum::ALL[dice.below(SimpleChecksum::ALL.len())];
            (kind.name().to_owned(), Checksum::simple(kind))
        };
        let first = if dice.happens(50) { 0 } else { start.len() };
        Self {
            id: kinds > 1 || dice.happens(30),
            size: dice.happens(50),
            pieces,
            cells: 4 + dice.below(29),
            big: dice.happens(50),
            check,
            check_big: dice.happens(50),
            first,
            start,
        }
    }

    fn check_bytes(&self) -> usize {
        usize::from(self.check.1.bits().div_ceil(8))
    }

    fn frame(&self, kind: usize, pack: &Pack) -> Vec<u8> {
        let mut body = Vec::new();
        let put = |body: &mut Vec<u8>, value: i32, width: usize| {
            let bytes = value.to_be_bytes();
            let mut bytes = bytes[4 - width..].to_vec();
            if !self.big {
                bytes.reverse();
            }
            body.extend(bytes);
        };
        for piece in &self.pieces[kind] {
            match piece {
                Piece::Cells => pack.cells.iter().for_each(|cell| put(&mut body, *cell, 2)),
                Piece::Counter => body.push(pack.count as u8),
                Piece::Pack => put(&mut body, pack.cells.iter().sum::<i32>() / 10, 2),
                Piece::Current => put(&mut body, pack.current, 2),
                Piece::Temperatures => pack.temperatures.iter().for_each(|value| put(&mut body, *value, 2)),
                Piece::Flags => body.push(if pack.current > 1000 { 0x12 } else { 0x02 }),
                Piece::Zeros => body.extend([0, 0, 0]),
            }
        }
        let mut frame = self.start.clone();
        if self.id {
            frame.push(kind as u8 + 1);
        }
        if self.size {
            frame.push(body.len() as u8);
        }
        frame.extend(body);
        let value = self.check.1.compute(&frame[self.first..]).to_be_bytes();
        let mut value = value[8 - self.check_bytes()..].to_vec();
        if !self.check_big {
            value.reverse();
        }
        frame.extend(value);
        frame
    }

    fn cells_at(&self) -> usize {
        let before = self.pieces[0].iter().take_while(|piece| **piece != Piece::Cells);
        let width = |piece: &Piece| match piece {
            Piece::Cells => 0,
            Piece::Counter | Piece::Flags => 1,
            Piece::Pack | Piece::Current => 2,
            Piece::Temperatures => 6,
            Piece::Zeros => 3,
        };
        self.start.len() + usize::from(self.id) + usize::from(self.size) + before.map(width).sum::<usize>()
    }
}

/// A pack through rests and loads.
struct Pack {
    count: u32,
    base: Vec<i32>,
    cells: Vec<i32>,
    current: i32,
    temperatures: [i32; 3],
}

impl Pack {
    fn new(dice: &mut Dice, cells: usize) -> Self {
        let middle = 3300 + dice.below(800) as i32;
        let base: Vec<i32> = (0..cells).map(|_| middle + dice.below(13) as i32 - 6).collect();
        Self { count: dice.below(256) as u32, cells: base.clone(), base, current: 0, temperatures: [211, 214, 209] }
    }

    fn step(&mut self, dice: &mut Dice) {
        self.count += 1;
        self.current = if self.count / 40 % 3 == 1 { 2500 } else { 150 } + dice.below(40) as i32;
        for (cell, base) in self.cells.iter_mut().zip(&self.base) {
            *cell = base - self.current / 40 + dice.below(3) as i32 - 1;
        }
        if dice.happens(3) {
            self.temperatures[dice.below(3)] += 1;
        }
    }
}

/// The bytes on the line: one frame in a hundred is damaged, and now and then there is something between two.
fn line(truth: &Truth, dice: &mut Dice) -> Capture {
    let mut pack = Pack::new(dice, truth.cells);
    let mut capture = Capture::timed();
    for tick in 0..400_u64 {
        pack.step(dice);
        let kinds =
            if truth.pieces.len() == 1 { vec![0] } else { vec![0, 1 + (tick as usize % (truth.pieces.len() - 1))] };
        for kind in kinds {
            let mut frame = truth.frame(kind, &pack);
            if dice.happens(1) {
                let at = dice.below(frame.len());
                if dice.happens(50) {
                    frame[at] ^= 1 << dice.below(8);
                } else {
                    frame.remove(at);
                }
            }
            if dice.happens(1) {
                let junk: Vec<u8> = (0..1 + dice.below(30)).map(|_| dice.bits() as u8).collect();
                frame.extend(junk);
            }
            capture.push(SessionTime::from_millis(tick * 50), &frame);
        }
    }
    capture
}

/// What was found of a layout.
#[derive(Default, Debug)]
struct Score {
    drafted: bool,
    start: bool,
    lengths: bool,
    check: bool,
    check_sure: bool,
    wrong_check: Option<String>,
    cells: bool,
}

fn score(truth: &Truth, layout: Option<&Layout>, outcome: Outcome, share: f64) -> Score {
    let mut score = Score { drafted: outcome == Outcome::Drafted && 0.9 < share, ..Score::default() };
    let Some(layout) = layout else { return score };
    let same = layout.start.iter().zip(&truth.start).all(|(one, two)| one == two);
    score.start = same && !layout.start.is_empty();
    score.lengths = match &layout.length {
        Length::Fixed(_) | Length::ByKind { .. } => true,
        Length::Size { .. } => truth.size,
        Length::Packet => false,
    };
    if let Some(fit) = &layout.check {
        let known = |name: &str| {
            Checksum::crc_named(name).or_else(|| SimpleChecksum::by_name(name).map(Checksum::simple)).expect("a name")
        };
        let right = |place: &identify::Place| {
            known(place.method.name) == truth.check.1
                && place.first == truth.first
                && (place.big == truth.check_big || truth.check_bytes() == 1)
                && place.behind == 0
        };
        let sure = fit.is_sure() && fit.unique();
        score.check = right(&fit.place) || fit.equal.iter().any(right);
        score.check_sure = sure && right(&fit.place);
        if sure && !score.check {
            score.wrong_check = Some(format!("{:?} for {} from {}", fit.place, truth.check.0, truth.first));
        }
    }
    score.cells = layout.kinds.iter().any(|kind| {
        kind.fields.iter().any(|field| {
            matches!(field.what, What::Cells { from: 1, .. })
                && field.at + layout.header == truth.cells_at()
                && field.times == truth.cells
                && field.form == (identify::Form::Unsigned { bytes: 2, big: truth.big })
        })
    });
    score
}

fn run(seed: u64) -> Score {
    let mut dice = Dice(seed);
    let truth = Truth::draw(&mut dice);
    let capture = line(&truth, &mut dice);
    let report = identify(&capture, None);
    let share = report.trial.as_ref().map_or(0.0, identify::Trial::share);
    let score = score(&truth, report.bytes.as_ref(), report.outcome, share);
    if std::env::var_os("SHOW_MISSES").is_some() && !(score.drafted && score.start && score.check && score.cells) {
        println!(
            "seed {seed}: {score:?} {:02X?} id {} size {} cells {} at {} {} first {} {:?}",
            truth.start,
            truth.id,
            truth.size,
            truth.cells,
            truth.cells_at(),
            truth.check.0,
            truth.first,
            truth.pieces
        );
        for finding in &report.findings {
            println!("    {}: {} [{}]", finding.sureness, finding.text, finding.evidence);
        }
    }
    score
}

/// Seeds of the property; more with `IDENTIFY_SEEDS=5000`.
fn seeds() -> u64 {
    std::env::var("IDENTIFY_SEEDS").ok().and_then(|count| count.parse().ok()).unwrap_or(320)
}

#[test]
fn random_layouts_are_found_and_no_wrong_checksum_is_called_sure() {
    let seeds = seeds();
    let half = |parity: u64| {
        move || (0..seeds).filter(|seed| seed % 2 == parity).map(|seed| (seed, run(seed))).collect::<Vec<_>>()
    };
    let odd = std::thread::Builder::new().name("odd seeds".to_owned()).spawn(half(1)).unwrap();
    let mut scores = half(0)();
    scores.extend(odd.join().unwrap());
    let wrong: Vec<_> = scores.iter().filter_map(|(seed, score)| Some((seed, score.wrong_check.as_ref()?))).collect();
    let rate = |test: fn(&Score) -> bool| {
        scores.iter().filter(|(_, score)| test(score)).count() as f64 / scores.len() as f64 * 100.0
    };
    let rates = [
        // Measured over these 320 seeds: 100, 100, 100, 99.7, 97.8 and 99.4 %.
        ("drafted", rate(|score| score.drafted), 99.0),
        ("start", rate(|score| score.start), 99.0),
        ("lengths", rate(|score| score.lengths), 99.0),
        ("check", rate(|score| score.check), 98.5),
        ("check sure", rate(|score| score.check_sure), 96.5),
        ("cells", rate(|score| score.cells), 98.0),
    ];
    println!("{rates:?}");
    assert_eq!(wrong, [], "a wrong checksum was called sure");
    for (what, rate, least) in rates {
        assert!(least <= rate, "{what}: {rate} %, expected {least} %");
    }
}
