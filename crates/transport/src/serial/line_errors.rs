//! Errors that the line itself reports.

use model::LineErrorKind;

/// How often the line has failed since some moment; each wraps.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(crate) struct LineErrorCounts {
    pub(crate) parity: u32,
    pub(crate) framing: u32,
    pub(crate) overrun: u32,
    pub(crate) breaks: u32,
}

impl LineErrorCounts {
    /// What has come since an earlier look, kinds that did not change left out.
    pub(crate) fn since(&self, earlier: &Self) -> impl Iterator<Item = (LineErrorKind, u32)> {
        [
            (LineErrorKind::Parity, self.parity.wrapping_sub(earlier.parity)),
            (LineErrorKind::Framing, self.framing.wrapping_sub(earlier.framing)),
            (LineErrorKind::Overrun, self.overrun.wrapping_sub(earlier.overrun)),
            (LineErrorKind::Break, self.breaks.wrapping_sub(earlier.breaks)),
        ]
        .into_iter()
        .filter(|(_, count)| *count != 0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_changed_is_told_and_counters_may_wrap() {
        let before = LineErrorCounts { parity: 3, framing: u32::MAX, overrun: 7, breaks: 0 };
        let now = LineErrorCounts { parity: 3, framing: 1, overrun: 8, breaks: 0 };
        let told: Vec<_> = now.since(&before).collect();
        assert_eq!(told, [(LineErrorKind::Framing, 2), (LineErrorKind::Overrun, 1)]);
        assert_eq!(now.since(&now).count(), 0);
    }
}
