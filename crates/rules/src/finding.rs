//! Findings: a cause with its place, how sure it is, and what speaks for and against it.

use std::collections::BTreeMap;

use model::{Channel, Quantity, SessionTime};

use crate::alarms::Severity;
use crate::cause::Cause;
use crate::event::{Event, EventKind};

/// How sure a finding is.
#[derive(Clone, Copy, PartialEq, Eq, Debug, PartialOrd, Ord)]
pub enum Confidence {
    /// The data fits this cause, and another one as well, or it was seen too seldom.
    Possible,
    /// The data fits this cause by more than chance (three deviations, p below 0.01, or seen again and again), and nothing
    /// seen speaks against it.
    Likely,
    /// No other cause of the list leaves this in the data, or a test of its own (the BMS's, a meter) says the same.
    Proven,
}

impl Confidence {
    /// The word in files and output.
    pub fn name(self) -> &'static str {
        match self {
            Self::Possible => "possible",
            Self::Likely => "likely",
            Self::Proven => "proven",
        }
    }
}

/// What the data says about one cause at one place, as of one look.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct Claim {
    pub(crate) cause: Cause,
    pub(crate) places: Vec<Channel>,
    pub(crate) confidence: Confidence,
    pub(crate) severity: Severity,
    pub(crate) from: SessionTime,
    pub(crate) to: SessionTime,
    pub(crate) text: String,
    pub(crate) supports: Vec<String>,
    pub(crate) against: Vec<String>,
}

/// A cause that the data shows.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Finding {
    /// Its number in this session, from 1.
    pub number: u32,
    /// What.
    pub cause: Cause,
    /// Where: one channel or more; none for the whole pack or the line, or where the data does not tell.
    pub places: Vec<Channel>,
    /// How sure.
    pub confidence: Confidence,
    /// How bad: a critical one that is proven fails its check.
    pub severity: Severity,
    /// Since when the data shows it, to the second.
    pub since: SessionTime,
    /// The time of the data that it rests on.
    pub from: SessionTime,
    /// Its end.
    pub to: SessionTime,
    /// What was measured, with its uncertainty and the limit, in words.
    pub text: String,
    /// What speaks for it.
    pub supports: Vec<String>,
    /// What speaks against it.
    pub against: Vec<String>,
    /// The data does not show it any more, or another cause explains it.
    pub withdrawn: bool,
}

impl Finding {
    /// What to look at with the switch open.
    pub fn look_at(&self) -> &'static str {
        self.cause.look_at()
    }

    /// `cells 9 and 10`, `temperature 2`, or nothing.
    pub fn place(&self) -> String {
        match self.places.as_slice() {
            [] => String::new(),
            [one] => one.to_string(),
            [first, .., last] => {
                let what = if first.quantity == Quantity::CellVoltage { "cell" } else { first.quantity.name() };
                let word = if self.places.len() == 2 { "and" } else { "to" };
                format!("{what}s {} {word} {}", first.place, last.place)
            }
        }
    }
}

/// What happened to a finding.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum FindingChange {
    /// It is new, or back.
    Found,
    /// It is surer than before, or worse.
    Stronger,
    /// It is less sure than before.
    Weaker,
    /// The data tells now which of several causes it is, or not any more.
    Renamed,
    /// The data does not show it any more, or another cause explains it.
    Withdrawn,
}

impl FindingChange {
    /// The word in an event line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Found => "found",
            Self::Stronger => "stronger",
            Self::Weaker => "weaker",
            Self::Renamed => "renamed",
            Self::Withdrawn => "withdrawn",
        }
    }
}

/// A claim must hold in so many looks running before it is a finding, and be absent in so many to be withdrawn.
const STEADY_LOOKS: u8 = 2;

/// Looks are a second apart.
const LOOK_NANOS: u64 = 1_000_000_000;

/// What tells one finding from another. The second place of a pair does not: of an open lead the first cell counts.
type Key = (Cause, Option<Channel>);

/// A claim that is not steady yet, or a finding that is not claimed any more.
#[derive(Clone, Copy, Debug, Default)]
struct Steadiness {
    index: Option<usize>,
    /// Since when it was claimed.
    since: SessionTime,
    /// Looks running in which it was there, or was not.
    there: u8,
    gone: u8,
}

/// All findings of a session: at most one for each cause and place.
#[derive(Clone, Debug, Default)]
pub(crate) struct FindingBook {
    findings: Vec<Finding>,
    by_key: BTreeMap<Key, Steadiness>,
}

impl FindingBook {
    pub(crate) fn findings(&self) -> &[Finding] {
        &self.findings
    }

    /// Whether the next look can change something with no new data: a claim is not steady yet.
    pub(crate) fn is_unsteady(&self) -> bool {
        let pending = |s: &Steadiness| match s.gone {
            0 => s.index.is_none() || s.there < STEADY_LOOKS,
            gone => gone < STEADY_LOOKS,
        };
        self.by_key.values().any(pending)
    }

    /// Takes what one look claims.
    pub(crate) fn update(&mut self, at: SessionTime, claims: Vec<Claim>, events: &mut Vec<Event>) {
        let mut claimed: BTreeMap<Key, Claim> = BTreeMap::new();
        for claim in claims {
            claimed.entry((claim.cause.family(), claim.places.first().copied())).or_insert(claim);
        }
        for (key, steadiness) in &mut self.by_key {
            if !claimed.contains_key(key) {
                steadiness.there = 0;
                steadiness.gone = steadiness.gone.saturating_add(1);
            }
        }
        for (key, claim) in claimed {
            let steadiness = self.by_key.entry(key).or_default();
            if steadiness.there == 0 {
                // The data before a look is what it looked at.
                steadiness.since = claim.from.max(SessionTime::from_nanos(at.nanos.saturating_sub(LOOK_NANOS)));
            }
            (steadiness.there, steadiness.gone) = (steadiness.there.saturating_add(1), 0);
            if STEADY_LOOKS <= steadiness.there || claim.confidence == Confidence::Proven {
                let index = *steadiness.index.get_or_insert(self.findings.len());
                take(&mut self.findings, index, claim, steadiness.since, at, events);
            }
        }
        self.by_key.retain(|_, steadiness| steadiness.index.is_some() || steadiness.gone < STEADY_LOOKS);
        for steadiness in self.by_key.values().filter(|steadiness| STEADY_LOOKS <= steadiness.gone) {
            let Some(finding) = steadiness.index.and_then(|index| self.findings.get_mut(index)) else { continue };
            if !std::mem::replace(&mut finding.withdrawn, true) {
                say(at, finding, FindingChange::Withdrawn, events);
            }
        }
    }
}

fn take(
    findings: &mut Vec<Finding>,
    index: usize,
    claim: Claim,
    since: SessionTime,
    at: SessionTime,
    events: &mut Vec<Event>,
) {
    let number = u32::try_from(index + 1).unwrap_or(u32::MAX);
    let new = Finding {
        number,
        cause: claim.cause,
        places: claim.places,
        confidence: claim.confidence,
        severity: claim.severity,
        since,
        from: claim.from,
        to: claim.to,
        text: claim.text,
        supports: claim.supports,
        against: claim.against,
        withdrawn: false,
    };
    let Some(old) = findings.get_mut(index) else {
        say(at, &new, FindingChange::Found, events);
        findings.push(new);
        return;
    };
    let before = (old.severity, old.confidence);
    let change = match (new.severity, new.confidence) {
        _ if old.withdrawn => Some(FindingChange::Found),
        _ if old.cause != new.cause => Some(FindingChange::Renamed),
        now if before < now => Some(FindingChange::Stronger),
        now if now < before => Some(FindingChange::Weaker),
        _ => None,
    };
    *old = new;
    if let Some(change) = change {
        say(at, old, change, events);
    }
}

fn say(at: SessionTime, finding: &Finding, change: FindingChange, events: &mut Vec<Event>) {
    let finding = Box::new(finding.clone());
    events.push(Event { at, kind: EventKind::Finding { finding, change } });
}

#[cfg(test)]
mod tests {
    use super::*;

    fn claim(place: u16, confidence: Confidence) -> Claim {
        Claim {
            cause: Cause::LowCell,
            places: vec![Channel::at(Quantity::CellVoltage, place)],
            confidence,
            severity: Severity::Warning,
            from: SessionTime::ZERO,
            to: SessionTime::ZERO,
            text: String::new(),
            supports: Vec::new(),
            against: Vec::new(),
        }
    }

    /// Looks, each with the confidence of a claim about cell 7 (`p`, `l`, `P`), or none (`-`). Returns what was said at each.
    fn run(looks: &str) -> Vec<String> {
        let mut book = FindingBook::default();
        let mut said = Vec::new();
        for (look, word) in (0..).zip(looks.chars()) {
            let confidence = match word {
                'p' => Some(Confidence::Possible),
                'l' => Some(Confidence::Likely),
                'P' => Some(Confidence::Proven),
                _ => None,
            };
            let claims = confidence.map(|confidence| claim(7, confidence)).into_iter().collect();
            let mut events = Vec::new();
            book.update(SessionTime::from_millis(look * 1000), claims, &mut events);
            for event in events {
                let EventKind::Finding { finding, change } = event.kind else { panic!("only findings") };
                said.push(format!("{look} {} {}", change.name(), finding.confidence.name()));
            }
        }
        assert!(book.findings().len() <= 1);
        said
    }

    #[test]
    fn a_claim_that_is_steady_is_a_finding() {
        assert_eq!(run("l-l-l-"), [""; 0], "now and then is not steady");
        assert_eq!(run("llP--l-ll"), ["1 found likely", "2 stronger proven", "4 withdrawn proven", "8 found likely"]);
        assert_eq!(run("Ppl"), ["0 found proven", "1 weaker possible", "2 stronger likely"]);
    }

    #[test]
    fn places_are_named() {
        let at = |places: &[u16]| {
            let mut findings = Vec::new();
            let places = places.iter().map(|place| Channel::at(Quantity::CellVoltage, *place)).collect();
            let claim = Claim { places, ..claim(1, Confidence::Likely) };
            take(&mut findings, 0, claim, SessionTime::ZERO, SessionTime::ZERO, &mut Vec::new());
            findings.first().map(Finding::place)
        };
        assert_eq!(at(&[]).as_deref(), Some(""));
        assert_eq!(at(&[9]).as_deref(), Some("cell 9"));
        assert_eq!(at(&[9, 10]).as_deref(), Some("cells 9 and 10"));
        assert_eq!(at(&[9, 10, 11]).as_deref(), Some("cells 9 to 11"));
    }
}
