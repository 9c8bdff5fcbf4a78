//! What a judge says.

use model::SessionTime;

use crate::alarms::Alarm;
use crate::finding::{Finding, FindingChange};
use crate::stage::Stage;
use crate::verdict::Verdict;

/// Something that changed, with the session time at which it did.
#[derive(Clone, PartialEq, Debug)]
pub struct Event {
    /// When.
    pub at: SessionTime,
    /// What.
    pub kind: EventKind,
}

/// The closed list of what can change.
#[derive(Clone, PartialEq, Debug)]
pub enum EventKind {
    /// The stage that the data shows.
    Stage {
        /// The new stage.
        stage: Stage,
        /// What shows it.
        why: String,
    },
    /// An alarm was raised or changed.
    Alarm {
        /// The alarm as it is now.
        alarm: Alarm,
        /// What happened to it.
        change: AlarmChange,
    },
    /// A cause was found, or what is known of it changed.
    Finding {
        /// The finding as it is now.
        finding: Box<Finding>,
        /// What happened to it.
        change: FindingChange,
    },
    /// The link changed.
    Link {
        /// What happened to it.
        change: LinkChange,
        /// In words.
        text: String,
    },
    /// The person marked a moment, or a reading was entered.
    Note {
        /// In words.
        text: String,
    },
    /// The verdict changed.
    Verdict(Box<Verdict>),
}

/// What happened to an alarm.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum AlarmChange {
    /// It is new, or its condition came back.
    Raised,
    /// A warning became critical.
    Worse,
    /// Its condition is gone.
    Returned,
    /// The person has seen it.
    Acknowledged,
    /// The person put it aside for a time.
    Shelved,
    /// That time is over.
    Unshelved,
    /// It came from an entry by hand that was corrected before any byte came: it fails nothing any more.
    Withdrawn,
}

impl AlarmChange {
    /// The word in an event line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Raised => "raised",
            Self::Worse => "worse",
            Self::Returned => "returned",
            Self::Acknowledged => "acknowledged",
            Self::Shelved => "shelved",
            Self::Unshelved => "unshelved",
            Self::Withdrawn => "withdrawn",
        }
    }
}

/// What happened to the link.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum LinkChange {
    /// The source was opened.
    Opened,
    /// The first sound frame came.
    FirstFrame,
    /// The source is gone.
    Lost,
    /// The host's clock jumped.
    ClockStep,
    /// The line itself reported errors.
    LineErrors,
    /// This program sent bytes.
    Sent,
}

impl LinkChange {
    /// The word in an event line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Opened => "opened",
            Self::FirstFrame => "first frame",
            Self::Lost => "lost",
            Self::ClockStep => "clock step",
            Self::LineErrors => "line errors",
            Self::Sent => "sent",
        }
    }
}
