//! The strips: a line for each frame and for what is none, the chosen one opened into its parts.

use std::collections::BTreeMap;
use std::sync::Arc;

use egui::text::LayoutJob;
use egui::{
    Align, Align2, Color32, FontId, Painter, Rect, Response, ScrollArea, Sense, Stroke, StrokeKind, Ui, pos2, vec2,
};
use model::{LineErrorKind, SessionTime, format_nanos};
use session::dissect::{Dissection, Part, Role, Span, What};
use session::line_bytes::{Happened, Happening, Window};

use crate::colours::{Colours, Meaning};
use crate::pieces;

use super::chosen::Chosen;

/// The height of a strip.
const ROW: f32 = 23.0;
/// The height of a part of the opened one: bytes, name, value.
const BLOCK: f32 = 54.0;
/// Where the bytes and the names begin.
const BYTES: f32 = 80.0;
const NAME: f32 = 158.0;
/// Bytes that an opened strip shows, at most.
const MOST_BYTES: usize = 512;

/// Something to go to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Target {
    Byte(u64),
    Time(SessionTime),
    Step(i32),
}

/// What the person chose to see, and what was worked out for it.
#[derive(Debug, Default)]
pub(crate) struct Strips {
    /// Only what is no frame.
    pub(crate) only_trouble: bool,
    target: Option<Target>,
    chosen: Option<Key>,
    part: Option<usize>,
    part_step: i32,
    rows: Option<Rows>,
    /// Bring the chosen one into view.
    scroll: bool,
}

/// Which strip: where its bytes begin, and which of the happenings there.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Key {
    stream: u64,
    happening: Option<usize>,
}

#[derive(Debug)]
struct Rows {
    window: Arc<Window>,
    only_trouble: bool,
    rows: Vec<Row>,
    parts: BTreeMap<usize, Arc<Vec<Part>>>,
}

#[derive(Clone, Copy, Debug)]
enum Row {
    Span(usize),
    Happening(usize),
}

impl Strips {
    /// Chooses what stands at this byte, as soon as it is there.
    pub(crate) fn go_to(&mut self, byte: u64) {
        self.target = Some(Target::Byte(byte));
    }

    /// Chooses what came first from this time on, as soon as it is there.
    pub(crate) fn go_to_time(&mut self, at: SessionTime) {
        self.target = Some(Target::Time(at));
    }

    /// Goes on by so many strips.
    pub(crate) fn step(&mut self, rows: i32) {
        self.target = Some(Target::Step(rows));
    }

    /// Goes on by so many parts of the chosen one.
    pub(crate) fn step_part(&mut self, parts: i32) {
        self.part_step = parts;
    }

    /// Nothing is chosen any more.
    pub(crate) fn let_go(&mut self) {
        (self.chosen, self.part, self.target) = (None, None, None);
    }

    /// The bytes are those of something else.
    pub(crate) fn forget(&mut self) {
        (self.chosen, self.part, self.rows) = (None, None, None);
    }

    /// Bytes in front of those that are shown and behind them.
    pub(crate) fn neighbours(&self) -> Option<(u64, u64)> {
        let spans = self.rows.as_ref()?.window.dissection.spans();
        Some((spans.first()?.bytes.start, spans.last()?.bytes.end))
    }

    /// What is chosen, if it is there.
    pub(crate) fn chosen_part(&mut self, window: &Arc<Window>) -> Option<Chosen> {
        self.prepare(window);
        let key = self.chosen?;
        let part = self.part;
        let rows = self.rows.as_mut()?;
        let row = rows.position(key)?;
        let Some(Row::Span(index)) = rows.rows.get(row).copied() else { return None };
        let parts = rows.parts(index);
        let span = window.dissection.spans().get(index)?;
        let part = part.and_then(|part| parts.get(part)).cloned();
        let part = part.map(|part| (part.clone(), window.dissection.bytes(part.bytes).to_vec()));
        let name = window.dissection.message(span);
        let what = match &span.what {
            What::Frame { .. } => format!("message {}", name.unwrap_or_default()),
            _ => match (name, said_of(&window.dissection, span).2) {
                (Some(name), why) => format!("message {name}: {why}"),
                (None, why) => why,
            },
        };
        Some(Chosen { frame: span.bytes, what, part })
    }

    fn prepare(&mut self, window: &Arc<Window>) {
        let same = |rows: &Rows| Arc::ptr_eq(&rows.window, window) && rows.only_trouble == self.only_trouble;
        if self.rows.as_ref().is_some_and(same) {
            return;
        }
        let place = |rows: &Rows| self.chosen.and_then(|key| rows.position(key));
        let new = Rows::new(window, self.only_trouble);
        // What is looked at stays in view when strips come or go above it.
        self.scroll |= place(&new).is_some() && self.rows.as_ref().and_then(place) != place(&new);
        self.rows = Some(new);
    }

    /// Follows what was asked for: by keys, by a place.
    fn aim(&mut self, (asked, ready): (u64, bool)) {
        let Some(target) = self.target else { return };
        let Some(rows) = &self.rows else { return };
        let spans = rows.window.dissection.spans();
        let (Some(first), Some(last)) = (spans.first(), spans.last()) else { return };
        let key = match target {
            Target::Byte(byte) => {
                let inside = first.bytes.start <= byte && byte < last.bytes.end;
                // The bytes are still being read.
                if !(inside || ready && asked == byte) {
                    return;
                }
                spans.iter().find(|span| byte < span.bytes.end).or(Some(last)).map(Key::of)
            }
            Target::Time(_) if !ready => return,
            // Of what is shown: who looks for damage goes to the next of it.
            Target::Time(at) => {
                let last = rows.rows.len().saturating_sub(1);
                let later = |row: &Row| at <= rows.time(*row);
                rows.key(rows.rows.iter().position(later).unwrap_or(last))
            }
            Target::Step(step) => {
                let now = self.chosen.and_then(|key| rows.position(key));
                let last = rows.rows.len().saturating_sub(1);
                let to = match now {
                    Some(now) => now.saturating_add_signed(isize::try_from(step).unwrap_or(0)).min(last),
                    None => last,
                };
                rows.key(to)
            }
        };
        self.target = None;
        if let Some(key) = key {
            self.only_trouble &= rows.position(key).is_some();
            self.choose(key);
            self.scroll = true;
        }
    }

    fn choose(&mut self, key: Key) {
        if self.chosen != Some(key) {
            (self.chosen, self.part) = (Some(key), None);
        }
    }

    /// Draws the strips. `answer`: the byte that was asked for, and whether it is of what was asked last. `empty`: what to
    /// say where there is no byte. Returns whether the person chose one.
    pub(crate) fn ui(
        &mut self,
        ui: &mut Ui,
        window: &Arc<Window>,
        follow: bool,
        answer: (u64, bool),
        empty: &str,
    ) -> bool {
        let before = (self.chosen, self.part);
        self.prepare(window);
        self.aim(answer);
        self.prepare(window);
        let paint = Paint::new(ui, &window.dissection);
        let Some(mut rows) = self.rows.take() else { return false };
        if window.dissection.spans().is_empty() {
            ui.label(egui::RichText::new(empty).size(16.0));
        } else if rows.rows.is_empty() {
            ui.label(egui::RichText::new("Every byte here stands in a frame.").size(16.0));
        }
        let open = self.chosen.and_then(|key| rows.position(key));
        let area = ScrollArea::vertical().id_salt("strips").auto_shrink(false).stick_to_bottom(follow);
        area.show_viewport(ui, |ui, viewport| {
            let width = ui.available_width();
            let blocks = open.and_then(|open| rows.blocks(open, &paint, ui, width));
            let extra = blocks.as_ref().map_or(0.0, |blocks| blocks.height);
            let height = ROW * number(rows.rows.len()) + extra;
            ui.set_height(height);
            let origin = ui.min_rect().min;
            let top = |row: usize| ROW * number(row) + if open.is_some_and(|open| open < row) { extra } else { 0.0 };
            let first = index(viewport.top() / ROW).saturating_sub(index(extra / ROW) + 1);
            for row in first..rows.rows.len() {
                let y = top(row);
                if viewport.bottom() < y {
                    break;
                }
                let is_open = open == Some(row);
                let whole = ROW + if is_open { extra } else { 0.0 };
                if y + whole < viewport.top() {
                    continue;
                }
                let rect = Rect::from_min_size(origin + vec2(0.0, y), vec2(width, ROW));
                let response = rows.strip(ui, &paint, rect, row, is_open, self.part.filter(|_| is_open));
                if let Some((response, part)) = response
                    && response.clicked()
                    && let Some(key) = rows.key(row)
                {
                    self.choose(key);
                    self.part = part.or(self.part);
                }
                if let (true, Some(blocks)) = (is_open, &blocks)
                    && let Some(part) = blocks.ui(ui, &paint, rect.left_bottom(), self.part)
                {
                    self.part = Some(part);
                }
            }
            if let Some(open) = open
                && std::mem::take(&mut self.scroll)
            {
                let rect = Rect::from_min_size(origin + vec2(0.0, top(open)), vec2(width, ROW + extra));
                let align = (viewport.height() < rect.height()).then_some(Align::Min).or(Some(Align::Center));
                ui.scroll_to_rect_animation(rect, align, egui::style::ScrollAnimation::none());
            }
            self.go_along(blocks.as_ref().map_or(0, |blocks| blocks.blocks.len()));
        });
        self.rows = Some(rows);
        self.chosen.is_some() && before != (self.chosen, self.part)
    }

    /// Left and right go through the parts.
    fn go_along(&mut self, parts: usize) {
        let step = std::mem::take(&mut self.part_step);
        if step == 0 || parts == 0 {
            return;
        }
        self.part = Some(match self.part {
            None if 0 < step => 0,
            None => parts - 1,
            Some(part) => part.saturating_add_signed(isize::try_from(step).unwrap_or(0)).min(parts - 1),
        });
    }
}

impl Key {
    fn of(span: &Span) -> Self {
        Self { stream: span.bytes.start, happening: None }
    }
}

impl Rows {
    fn new(window: &Arc<Window>, only_trouble: bool) -> Self {
        let mut rows = Vec::new();
        let mut happenings = window.happenings.iter().enumerate().peekable();
        for (index, span) in window.dissection.spans().iter().enumerate() {
            while let Some((number, one)) = happenings.next_if(|(_, one)| one.stream <= span.bytes.start) {
                if !only_trouble || is_trouble(one) {
                    rows.push(Row::Happening(number));
                }
            }
            let sound = matches!(span.what, What::Frame { .. } | What::Between | What::Unfinished);
            if !(only_trouble && sound) {
                rows.push(Row::Span(index));
            }
        }
        rows.extend(
            happenings.filter(|(_, one)| !only_trouble || is_trouble(one)).map(|(index, _)| Row::Happening(index)),
        );
        Self { window: Arc::clone(window), only_trouble, rows, parts: BTreeMap::new() }
    }

    fn key(&self, row: usize) -> Option<Key> {
        match self.rows.get(row)? {
            Row::Span(index) => self.window.dissection.spans().get(*index).map(Key::of),
            Row::Happening(index) => {
                let stream = self.window.happenings.get(*index)?.stream;
                Some(Key { stream, happening: Some(*index) })
            }
        }
    }

    fn time(&self, row: Row) -> SessionTime {
        match row {
            Row::Span(index) => self.window.dissection.spans().get(index).map_or(SessionTime::ZERO, |span| span.at),
            Row::Happening(index) => self.window.happenings.get(index).map_or(SessionTime::ZERO, |one| one.at),
        }
    }

    fn position(&self, key: Key) -> Option<usize> {
        let at = |row: &Row| match row {
            Row::Span(index) => self.window.dissection.spans().get(*index).map_or(0, |span| span.bytes.start),
            Row::Happening(index) => self.window.happenings.get(*index).map_or(0, |one| one.stream),
        };
        let from = self.rows.partition_point(|row| at(row) < key.stream);
        let same = |row: &Row| match (row, key.happening) {
            (Row::Span(_), None) => at(row) == key.stream,
            (Row::Happening(index), Some(wanted)) => *index == wanted,
            _ => false,
        };
        let there = self.rows.get(from..)?.iter().take_while(|row| at(row) == key.stream);
        there.into_iter().position(same).map(|position| from + position)
    }

    fn parts(&mut self, span: usize) -> Arc<Vec<Part>> {
        let dissection = &self.window.dissection;
        let parts = self.parts.entry(span).or_insert_with(|| {
            Arc::new(dissection.spans().get(span).map_or_else(Vec::new, |span| dissection.parts(span)))
        });
        Arc::clone(parts)
    }

    /// One strip. Returns what the pointer did, and the part under it.
    fn strip(
        &mut self,
        ui: &mut Ui,
        paint: &Paint,
        rect: Rect,
        row: usize,
        open: bool,
        part: Option<usize>,
    ) -> Option<(Response, Option<usize>)> {
        let key = self.key(row)?;
        let id = ui.scope_id().with(("strip", key.stream, key.happening));
        let response = ui.interact(rect, id, Sense::click());
        let painter = ui.painter().with_clip_rect(rect.intersect(ui.clip_rect()));
        let colours = &paint.colours;
        if open || response.hovered() {
            painter.rect_filled(rect, 0.0, if open { colours.sheet } else { colours.wash(Meaning::Unknown) });
        }
        if response.has_focus() {
            let stroke = Stroke::new(2.0, colours.of_meaning(Meaning::Action));
            painter.rect_stroke(rect, 0.0, stroke, StrokeKind::Inside);
        }
        let window = Arc::clone(&self.window);
        let (at, words) = match *self.rows.get(row)? {
            Row::Happening(index) => {
                let one = window.happenings.get(index)?;
                let (meaning, sign, text) = said_of_happening(one);
                paint.head(&painter, rect, one.at, key.stream, (meaning, sign, ""));
                let colour = if meaning == Meaning::Unknown { colours.ink } else { colours.of_meaning(meaning) };
                paint.text(&painter, rect, NAME + 20.0, rect.width(), &text, colour);
                (None, format!("{}, {text}", seconds(one.at)))
            }
            Row::Span(index) => {
                let span = window.dissection.spans().get(index)?;
                let parts = self.parts(index);
                let (meaning, sign, text) = said_of(&window.dissection, span);
                let name = window.dissection.message(span).unwrap_or(match &span.what {
                    What::Unfinished => "not finished",
                    What::Between => "filling",
                    What::NoFrame(_) => "no frame",
                    What::Passed(_) => "passed over",
                    What::Frame { .. } => "",
                });
                let mut x = paint.head(&painter, rect, span.at, key.stream, (meaning, sign, name));
                if !matches!(span.what, What::Frame { .. } | What::Between) {
                    let room = (rect.width() - x) * 0.62;
                    x = paint.text(&painter, rect, x, x + room, &text, colours.of_meaning(meaning)) + 14.0;
                }
                let bytes = window.dissection.bytes(span.bytes);
                let under = paint.bytes(&painter, rect, x, bytes, span, &parts, part, response.hover_pos());
                let words = format!("{}, bytes {}, {name}: {text}", seconds(span.at), span.bytes);
                (under, words)
            }
        };
        response.widget_info(|| egui::WidgetInfo::selected(egui::Role::Button, true, open, &words));
        if let (Some(under), Some(Row::Span(index))) = (at, self.rows.get(row).copied()) {
            let parts = self.parts(index);
            if let Some(part) = parts.get(under) {
                let text = format!("{}: {}", part.name, part.words);
                return Some((response.on_hover_text_at_pointer(text), Some(under)));
            }
        }
        Some((response, at))
    }

    /// The parts of the opened strip, laid out in lines.
    fn blocks(&mut self, row: usize, paint: &Paint, ui: &Ui, width: f32) -> Option<Blocks> {
        let Row::Span(index) = *self.rows.get(row)? else { return None };
        let parts = self.parts(index);
        let window = Arc::clone(&self.window);
        let span = window.dissection.spans().get(index)?;
        let mut blocks = Vec::with_capacity(parts.len());
        let left = NAME.min(width * 0.12);
        let (mut x, mut y) = (left, 4.0);
        for part in parts.iter() {
            let bytes = paint.string(
                window.dissection.bytes(part.bytes).get(..16).unwrap_or_else(|| window.dissection.bytes(part.bytes)),
            );
            // "cell 7: 3.912 V" stands below "cell 7".
            let value = part.words.split_once(": ").map_or(part.words.as_str(), |(_, value)| value);
            let layout = |text: &str, font: &FontId, colour: Color32| {
                let mut job = LayoutJob::simple_singleline(text.to_owned(), font.clone(), colour);
                job.wrap = egui::text::TextWrapping::truncate_at_width(240.0);
                ui.painter().layout_job(job)
            };
            let wrong = part.role == (Role::Check { right: false });
            let colours = &paint.colours;
            let ink = if wrong { colours.of_meaning(Meaning::Danger) } else { colours.ink };
            let name = match &part.meant {
                Some(meant) => meant.channel.to_string(),
                None => part.name.clone(),
            };
            let name = match part.bits {
                Some(range) => format!("{name}, {}", crate::wording::bits(range)),
                None => name,
            };
            let lines = [
                layout(&bytes, &paint.mono, colours.ink),
                layout(&name, &paint.small, colours.faint),
                layout(value, &paint.small, ink),
            ];
            let wide = lines.iter().map(|line| line.size().x).fold(0.0, f32::max) + 12.0;
            if width < x + wide && left < x {
                (x, y) = (left, y + BLOCK + 4.0);
            }
            let rect = Rect::from_min_size(pos2(x, y), vec2(wide, BLOCK));
            let words = format!("{}, {}: {}", part.name, part.role.name(), part.words);
            blocks.push(Block { rect, lines, words, wrong });
            x += wide + 3.0;
        }
        let mut rest = None;
        if parts.is_empty() {
            let bytes = window.dissection.bytes(span.bytes);
            let text = paint.string(bytes.get(..MOST_BYTES).unwrap_or(bytes));
            let mut job = LayoutJob::simple(text, paint.mono.clone(), paint.colours.ink, width - left - 8.0);
            job.break_on_newline = false;
            let galley = ui.painter().layout_job(job);
            y += galley.size().y - BLOCK;
            rest = Some((pos2(left, 4.0), galley));
        }
        Some(Blocks { blocks, rest, height: y + BLOCK + 8.0 })
    }
}

/// The opened strip.
struct Blocks {
    blocks: Vec<Block>,
    /// Bytes of which no part is known.
    rest: Option<(egui::Pos2, Arc<egui::Galley>)>,
    height: f32,
}

struct Block {
    rect: Rect,
    lines: [Arc<egui::Galley>; 3],
    words: String,
    wrong: bool,
}

impl Blocks {
    /// Draws the parts. Returns the one that was clicked.
    fn ui(&self, ui: &mut Ui, paint: &Paint, at: egui::Pos2, chosen: Option<usize>) -> Option<usize> {
        let colours = &paint.colours;
        let mut clicked = None;
        let whole = Rect::from_min_size(at, vec2(ui.available_width(), self.height));
        ui.painter().rect_filled(whole, 0.0, colours.sheet);
        if let Some((place, galley)) = &self.rest {
            ui.painter().galley(at + place.to_vec2(), Arc::clone(galley), colours.ink);
        }
        for (index, block) in self.blocks.iter().enumerate() {
            let rect = block.rect.translate(at.to_vec2());
            if !ui.clip_rect().intersects(rect) {
                continue;
            }
            let response = ui.interact(rect, ui.scope_id().with(("part", index)), Sense::click());
            let is_chosen = chosen == Some(index);
            let fill = match (is_chosen, block.wrong) {
                (true, _) => colours.tint(Meaning::Action),
                (false, true) => colours.tint(Meaning::Danger),
                (false, false) if response.hovered() => colours.tint(Meaning::Unknown),
                (false, false) => colours.wash(Meaning::Unknown),
            };
            ui.painter().rect_filled(rect, 2.0, fill);
            if is_chosen || response.has_focus() {
                let stroke = Stroke::new(1.5, colours.of_meaning(Meaning::Action));
                ui.painter().rect_stroke(rect, 2.0, stroke, StrokeKind::Inside);
            }
            let mut y = rect.top() + 2.0;
            for line in &block.lines {
                ui.painter().galley(pos2(rect.left() + 6.0, y), Arc::clone(line), colours.ink);
                y += 17.0;
            }
            response.widget_info(|| egui::WidgetInfo::selected(egui::Role::Button, true, is_chosen, &block.words));
            if response.clicked() {
                clicked = Some(index);
            }
        }
        clicked
    }
}

/// Fonts and colours of the strips.
struct Paint {
    colours: Colours,
    mono: FontId,
    small: FontId,
    body: FontId,
    /// The width of one character of the bytes.
    character: f32,
    text: bool,
    /// Where the bytes begin.
    from: f32,
}

impl Paint {
    fn new(ui: &Ui, dissection: &Dissection) -> Self {
        let (mono, body) = (FontId::monospace(13.0), FontId::proportional(14.5));
        // The bytes of all messages stand below each other.
        let names = dissection.protocol().layout().kinds.iter().map(|kind| kind.name.clone());
        let wide = names.map(|name| ui.painter().layout_no_wrap(name, body.clone(), Color32::WHITE).size().x);
        let wide = wide.fold(0.0, f32::max);
        let character = ui.ctx().fonts_mut(|fonts| fonts.glyph_width(&mono, '0'));
        Self {
            colours: Colours::of(ui.visuals()),
            character,
            mono,
            small: FontId::proportional(13.0),
            text: dissection.is_text(),
            from: NAME + 20.0 + wide.clamp(60.0, 170.0) + 14.0,
            body,
        }
    }

    /// Characters that a byte takes.
    fn each(&self) -> usize {
        if self.text { 1 } else { 3 }
    }

    fn string(&self, bytes: &[u8]) -> String {
        if self.text {
            return bytes.iter().map(|byte| if matches!(byte, 0x20..0x7F) { char::from(*byte) } else { '·' }).collect();
        }
        const DIGITS: [char; 16] = ['0', '1', '2', '3', '4', '5', '6', '7', '8', '9', 'A', 'B', 'C', 'D', 'E', 'F'];
        let digit = |value: u8| DIGITS.get(usize::from(value & 15)).copied().unwrap_or('0');
        let mut text = String::with_capacity(3 * bytes.len());
        for byte in bytes {
            text.extend([digit(byte >> 4), digit(*byte), ' ']);
        }
        text
    }

    /// Time, place, sign and name. Returns where the rest begins.
    fn head(
        &self,
        painter: &Painter,
        rect: Rect,
        at: SessionTime,
        stream: u64,
        (meaning, sign, name): (Meaning, &str, &str),
    ) -> f32 {
        let middle = rect.left_center();
        let colours = &self.colours;
        painter.text(middle + vec2(70.0, 0.0), Align2::RIGHT_CENTER, seconds(at), self.small.clone(), colours.ink);
        let place = stream.to_string();
        painter.text(middle + vec2(BYTES, 0.0), Align2::LEFT_CENTER, place, self.small.clone(), colours.faint);
        let colour = colours.of_meaning(meaning);
        if !sign.is_empty() {
            pieces::paint_sign(painter, middle + vec2(NAME + 7.0, 0.0), 5.0, sign, colour, colours.ground);
        }
        let ink = if meaning == Meaning::Unknown { colours.ink } else { colour };
        self.text(painter, rect, NAME + 20.0, self.from - 8.0, name, ink);
        self.from
    }

    /// A text from one place to another at most. Returns where it ends.
    fn text(&self, painter: &Painter, rect: Rect, from: f32, to: f32, text: &str, colour: Color32) -> f32 {
        let mut job = LayoutJob::simple_singleline(text.to_owned(), self.body.clone(), colour);
        job.wrap = egui::text::TextWrapping::truncate_at_width((to - from).max(20.0));
        let galley = painter.layout_job(job);
        let end = from + galley.size().x;
        painter.galley(pos2(rect.left() + from, rect.center().y - galley.size().y / 2.0), galley, colour);
        end
    }

    /// The bytes of a strip, their parts shaded. Returns the part under the pointer.
    #[expect(clippy::too_many_arguments, reason = "what is drawn, where, and what is chosen in it")]
    fn bytes(
        &self,
        painter: &Painter,
        rect: Rect,
        from: f32,
        bytes: &[u8],
        span: &Span,
        parts: &[Part],
        chosen: Option<usize>,
        pointer: Option<egui::Pos2>,
    ) -> Option<usize> {
        let left = rect.left() + from;
        let each = self.character * number(self.each());
        let room = index((rect.right() - 14.0 - left).max(0.0) / each);
        let shown = bytes.get(..room).unwrap_or(bytes);
        let mut under = None;
        let mut dark = false;
        for (number_of, part) in parts.iter().enumerate() {
            if part.bytes.is_empty() {
                continue;
            }
            // Parts of a word share its place.
            dark ^= part.bits.is_none();
            let place = |byte: u64| {
                usize::try_from(byte.saturating_sub(span.bytes.start)).unwrap_or(usize::MAX).min(shown.len())
            };
            let (start, end) = (place(part.bytes.start), place(part.bytes.end));
            if start == end {
                continue;
            }
            let gap = if self.text { 0.0 } else { self.character * 0.75 };
            let shade = Rect::from_min_max(
                pos2(left + each * number(start) - self.character * 0.2, rect.top() + 2.0),
                pos2(left + each * number(end) - gap, rect.bottom() - 2.0),
            );
            let colour = match part.role {
                _ if chosen == Some(number_of) => self.colours.of_meaning(Meaning::Action).gamma_multiply(0.35),
                Role::Check { right: false } => self.colours.tint(Meaning::Danger),
                Role::Value if dark => self.colours.tint(Meaning::Unknown),
                Role::Value => self.colours.wash(Meaning::Unknown),
                _ => Color32::TRANSPARENT,
            };
            painter.rect_filled(shade, 2.0, colour);
            if pointer.is_some_and(|pointer| shade.contains(pointer)) {
                under = Some(number_of);
            }
        }
        let mut text = self.string(shown);
        if shown.len() < bytes.len() {
            text.push('…');
        }
        let colour = if matches!(span.what, What::Frame { .. }) { self.colours.ink } else { self.colours.faint };
        painter.text(pos2(left, rect.center().y), Align2::LEFT_CENTER, text, self.mono.clone(), colour);
        under
    }
}

/// How a span is shown: its meaning, sign, and words.
fn said_of(dissection: &Dissection, span: &Span) -> (Meaning, &'static str, String) {
    match &span.what {
        What::Frame { kind } => {
            let verified = dissection.protocol().layout().kinds.get(*kind).is_some_and(|kind| kind.verified);
            if verified {
                (Meaning::Unknown, "", "sound, its checksum is right".to_owned())
            } else {
                (Meaning::Abnormal, "?", "not verified: it has no checksum".to_owned())
            }
        }
        What::Passed(reason) => (Meaning::Abnormal, "?", reason.to_string()),
        What::NoFrame(tried) => match tried.split_first() {
            None => (Meaning::Abnormal, "!", "no frame starts here".to_owned()),
            Some((first, [])) => (Meaning::Danger, "x", first.reason.to_string()),
            Some((first, more)) => {
                (Meaning::Danger, "x", format!("{}; and {} more begin inside", first.reason, more.len()))
            }
        },
        What::Between => (Meaning::Unknown, "", "end bytes between two packets".to_owned()),
        What::Unfinished => (Meaning::Unknown, ">", "what follows has not come yet".to_owned()),
    }
}

fn said_of_happening(one: &Happening) -> (Meaning, &'static str, String) {
    match &one.what {
        Happened::Sent(bytes) => {
            let hex: Vec<String> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
            (Meaning::Action, ">", format!("sent by this program: {}", hex.join(" ")))
        }
        Happened::Opened(source) => (Meaning::Unknown, "=", format!("opened: {source}")),
        Happened::Lost(why) => (Meaning::Danger, "x", format!("lost: {why}")),
        Happened::Errors(kind, count) => {
            let what = match kind {
                LineErrorKind::Parity => "wrong parity bits",
                LineErrorKind::Framing => "missing stop bits",
                LineErrorKind::Overrun => "bytes lost since this machine was too slow",
                LineErrorKind::Break => "breaks on the line",
            };
            (Meaning::Abnormal, "!", format!("the line reports {what}: {count}"))
        }
        Happened::End => (Meaning::Unknown, "=", "the session ended".to_owned()),
        Happened::Read(count) | Happened::Datagram(count) => (Meaning::Unknown, "=", format!("{count} bytes came")),
    }
}

fn is_trouble(one: &Happening) -> bool {
    matches!(one.what, Happened::Lost(_) | Happened::Errors(..))
}

fn seconds(at: SessionTime) -> String {
    format!("{} s", format_nanos(i64::try_from(at.nanos).unwrap_or(i64::MAX), 3))
}

#[expect(clippy::cast_precision_loss, reason = "places on a screen")]
fn number(count: usize) -> f32 {
    count as f32
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "places on a screen, never negative")]
fn index(place: f32) -> usize {
    place.max(0.0) as usize
}
