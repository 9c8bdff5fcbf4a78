//! Every colour of the program, by what it means.
//!
//! After IEC 60073 (meanings from memory): red is danger, yellow is abnormal, green is safe, blue asks for an action, white
//! and grey say nothing. Colour never stands alone: each meaning also has a shape and a word.

use egui::{Color32, Visuals};

/// What a colour says.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Meaning {
    /// Danger: a critical alarm, no-go.
    Danger,
    /// Abnormal: a warning, cannot tell, old data.
    Abnormal,
    /// Safe: evidence that it is inside its limits.
    Safe,
    /// The person has to do something.
    Action,
    /// Nothing is known.
    Unknown,
}

/// The colours of one theme.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Colours {
    /// Behind everything.
    pub ground: Color32,
    /// Behind a chart or a list.
    pub sheet: Color32,
    /// Text and values.
    pub ink: Color32,
    /// Text that stands back: units, scales.
    pub faint: Color32,
    /// Rules and grids.
    pub rule: Color32,
    danger: Color32,
    abnormal: Color32,
    safe: Color32,
    action: Color32,
    unknown: Color32,
    on_strong: Color32,
}

#[expect(clippy::disallowed_methods, reason = "this is the one place where colours are made")]
const fn rgb(hex: u32) -> Color32 {
    Color32::from_rgb((hex >> 16) as u8, (hex >> 8) as u8, hex as u8)
}

const LIGHT: Colours = Colours {
    ground: rgb(0xECEBE6),
    sheet: rgb(0xFAF9F6),
    ink: rgb(0x1B1F1D),
    faint: rgb(0x5A605C),
    rule: rgb(0xC9C8C0),
    danger: rgb(0xB31B1B),
    abnormal: rgb(0x7E5200),
    safe: rgb(0x1B6B3A),
    action: rgb(0x1F4E96),
    unknown: rgb(0x616462),
    on_strong: rgb(0xFFFFFF),
};

const DARK: Colours = Colours {
    ground: rgb(0x141716),
    sheet: rgb(0x1D2120),
    ink: rgb(0xECEEEA),
    faint: rgb(0xA3AAA6),
    rule: rgb(0x3A403E),
    danger: rgb(0xFF6B5E),
    abnormal: rgb(0xF0B93A),
    safe: rgb(0x5FC98A),
    action: rgb(0x7FB2FF),
    unknown: rgb(0x9AA09D),
    on_strong: rgb(0x101211),
};

impl Colours {
    /// The colours of the theme that is in force.
    pub fn of(visuals: &Visuals) -> Self {
        if visuals.dark_mode { DARK } else { LIGHT }
    }

    /// For lines, marks and words.
    pub fn of_meaning(&self, meaning: Meaning) -> Color32 {
        match meaning {
            Meaning::Danger => self.danger,
            Meaning::Abnormal => self.abnormal,
            Meaning::Safe => self.safe,
            Meaning::Action => self.action,
            Meaning::Unknown => self.unknown,
        }
    }

    /// For an area behind ink.
    pub fn tint(&self, meaning: Meaning) -> Color32 {
        self.of_meaning(meaning).gamma_multiply(0.16)
    }

    /// For a large area that must not shout: beyond a limit, where nothing is.
    pub fn wash(&self, meaning: Meaning) -> Color32 {
        self.of_meaning(meaning).gamma_multiply(0.09)
    }

    /// Text on an area in the full colour of a meaning.
    pub fn on_strong(&self) -> Color32 {
        self.on_strong
    }
}

/// Sets fonts, colours and spacing for both themes.
pub fn dress(ctx: &egui::Context) {
    for (theme, colours) in [(egui::Theme::Light, LIGHT), (egui::Theme::Dark, DARK)] {
        ctx.style_mut_of(theme, |style| {
            let visuals = &mut style.visuals;
            visuals.panel_fill = colours.ground;
            visuals.window_fill = colours.sheet;
            visuals.extreme_bg_color = colours.sheet;
            visuals.override_text_color = Some(colours.ink);
            visuals.weak_text_color = Some(colours.faint);
            visuals.selection.bg_fill = colours.action.gamma_multiply(0.35);
            visuals.selection.stroke.color = colours.ink;
            for widget in [&mut visuals.widgets.noninteractive, &mut visuals.widgets.inactive] {
                widget.bg_stroke = egui::Stroke::new(1.0, colours.rule);
            }
            // Square like a nameplate; only what is pressed differs from what is read.
            let widgets = &mut visuals.widgets;
            for widget in [
                &mut widgets.noninteractive,
                &mut widgets.inactive,
                &mut widgets.hovered,
                &mut widgets.active,
                &mut widgets.open,
            ] {
                widget.corner_radius = egui::CornerRadius::same(2);
            }
            visuals.widgets.inactive.weak_bg_fill = colours.sheet;
            visuals.widgets.inactive.bg_fill = colours.sheet;
            // Nothing moves but the data; what glides costs a picture for each step.
            style.animation_time = 0.0;
            style.spacing.item_spacing = egui::vec2(8.0, 5.0);
            style.spacing.button_padding = egui::vec2(10.0, 4.0);
            for (text, size) in [
                (egui::TextStyle::Body, 15.0),
                (egui::TextStyle::Button, 15.0),
                (egui::TextStyle::Monospace, 14.0),
                (egui::TextStyle::Small, 12.0),
                (egui::TextStyle::Heading, 20.0),
            ] {
                if let Some(font) = style.text_styles.get_mut(&text) {
                    font.size = size;
                }
            }
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance and contrast after WCAG 2.1 (definitions "relative luminance" and "contrast ratio").
    fn contrast(one: Color32, other: Color32) -> f64 {
        let luminance = |colour: Color32| {
            let [r, g, b, _] = colour.to_array().map(|byte| {
                let c = f64::from(byte) / 255.0;
                if c <= 0.03928 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
            });
            0.2126 * r + 0.7152 * g + 0.0722 * b
        };
        let (one, other) = (luminance(one), luminance(other));
        (one.max(other) + 0.05) / (one.min(other) + 0.05)
    }

    #[test]
    fn every_word_can_be_read() {
        // WCAG 2.1, 1.4.3: at least 4.5 to 1.
        for colours in [LIGHT, DARK] {
            for meaning in [Meaning::Danger, Meaning::Abnormal, Meaning::Safe, Meaning::Action, Meaning::Unknown] {
                let colour = colours.of_meaning(meaning);
                for ground in [colours.sheet, colours.ground] {
                    assert!(4.5 <= contrast(colour, ground), "{meaning:?}: {}", contrast(colour, ground));
                }
                assert!(4.5 <= contrast(colours.on_strong(), colour), "on {meaning:?}");
            }
            for ground in [colours.sheet, colours.ground] {
                assert!(4.5 <= contrast(colours.faint, ground), "faint: {}", contrast(colours.faint, ground));
                assert!(4.5 <= contrast(colours.ink, ground));
            }
            // Words on tinted areas: an alarm's own colour and what stands back, on the tint of that alarm.
            for meaning in [Meaning::Danger, Meaning::Abnormal, Meaning::Action, Meaning::Unknown] {
                let ground = colours.sheet.blend(colours.tint(meaning));
                for ink in [colours.of_meaning(meaning), colours.faint, colours.ink] {
                    assert!(
                        4.5 <= contrast(ink, ground),
                        "{ink:?} on the tint of {meaning:?}: {}",
                        contrast(ink, ground)
                    );
                }
            }
        }
    }
}
