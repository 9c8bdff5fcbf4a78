//! Go, no-go or cannot tell, and why.

use model::{Channel, SessionTime};

use crate::check::Check;
use crate::finding::Finding;
use crate::measured::Measured;
use crate::stage::Stage;

/// The answer.
#[derive(Clone, Copy, PartialEq, Eq, Debug, PartialOrd, Ord)]
pub enum Outcome {
    /// Every required check passed, for the stages that were seen: go for the next step, no further.
    Go,
    /// At least one required check has no data.
    CannotTell,
    /// At least one check failed. It stays so for the session.
    NoGo,
}

impl Outcome {
    /// The words in output.
    pub fn name(self) -> &'static str {
        match self {
            Self::Go => "go",
            Self::CannotTell => "cannot tell",
            Self::NoGo => "no-go",
        }
    }
}

/// How one check came out.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Result {
    /// There is evidence, and it is inside the limits.
    Passed,
    /// A critical alarm was raised.
    Failed,
    /// There is no evidence, or not enough, or it is too old.
    NoData,
    /// The pack file waives it.
    Waived,
}

impl Result {
    /// The words in output.
    pub fn name(self) -> &'static str {
        match self {
            Self::Passed => "passed",
            Self::Failed => "failed",
            Self::NoData => "no data",
            Self::Waived => "waived",
        }
    }
}

/// One required check with its result.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct CheckResult {
    /// The check.
    pub check: Check,
    /// How it came out.
    pub result: Result,
    /// Where it failed, if at a place.
    pub place: Option<Channel>,
    /// The evidence, the failure, what is missing, or the reason of the waiver.
    pub why: String,
}

/// The answer with everything that it rests on.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Verdict {
    /// The session time that it holds for.
    pub at: SessionTime,
    /// The answer.
    pub outcome: Outcome,
    /// The stages that there is evidence for.
    pub covers: Vec<Stage>,
    /// What was not seen, and what these data can't show.
    pub untested: Vec<String>,
    /// Every required check.
    pub checks: Vec<CheckResult>,
    /// Why, most important first.
    pub because: Vec<String>,
    /// What is wrong and where, as far as the data tells.
    pub findings: Vec<Finding>,
    /// What was measured, whether or not something is wrong, and what could not be.
    pub measured: Vec<Measured>,
    /// Warnings and other notes that do not decide.
    pub notes: Vec<String>,
}

impl Verdict {
    /// Whether the answer or the result of any check differs; the wording, the measurements and
    /// the time may.
    pub fn differs(&self, other: &Self) -> bool {
        differ((self.outcome, &self.covers, &self.checks), (other.outcome, &other.covers, &other.checks))
    }
}

/// What a verdict is told from another by: the answer, the stages, and the checks, of which only the results count.
type Told<'a> = (Outcome, &'a [Stage], &'a [CheckResult]);

pub(crate) fn differ(one: Told<'_>, other: Told<'_>) -> bool {
    let same = one.2.iter().map(|check| check.result).eq(other.2.iter().map(|check| check.result));
    one.0 != other.0 || one.1 != other.1 || !same
}
