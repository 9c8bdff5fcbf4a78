//! Why a source could not be opened, and what to do about it.

use std::path::Path;

use model::closest;

use crate::ports::{Holder, PortInfo};

/// A source that could not be opened: what, why and what to do.
///
/// It prints as a lower-case fragment without advice; the advice is [`OpenError::hint`].
#[derive(Debug, thiserror::Error)]
#[error("can't open {what}: {why}")]
pub struct OpenError {
    kind: OpenErrorKind,
    what: String,
    why: String,
    hint: Option<String>,
    source: Option<Box<dyn std::error::Error + Send + Sync>>,
}

impl OpenError {
    pub(crate) fn new(kind: OpenErrorKind, what: impl Into<String>, why: impl Into<String>) -> Self {
        Self { kind, what: what.into(), why: why.into(), hint: None, source: None }
    }

    pub(crate) fn hinting(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    pub(crate) fn caused_by(mut self, source: impl std::error::Error + Send + Sync + 'static) -> Self {
        self.source = Some(Box::new(source));
        self
    }

    /// What sort of refusal it is.
    pub fn kind(&self) -> OpenErrorKind {
        self.kind
    }

    /// What to do about it, for a line of its own.
    pub fn hint(&self) -> Option<&str> {
        self.hint.as_deref()
    }

    /// Why, without what: for a place where the source is named already.
    pub fn why(&self) -> &str {
        &self.why
    }
}

/// The sorts of refusal.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[non_exhaustive]
pub enum OpenErrorKind {
    /// This person may not open it.
    PermissionDenied,
    /// Another program has it.
    Busy,
    /// Nothing of that name is there.
    NotFound,
    /// It is there and is no serial port, or no file.
    WrongKind,
    /// It does not do what the settings ask for.
    Unsupported,
    /// The other machine answers and refuses.
    Refused,
    /// The other machine does not answer.
    TimedOut,
    /// Another program listens on that address already.
    AddressInUse,
    /// The address is none, or not one of this machine.
    BadAddress,
    /// Anything else, as the system says it.
    Failed,
}

/// Whether a person belongs to a group.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Membership {
    /// No.
    None,
    /// Yes, but this login is older than that and does not know.
    SinceThisLogin,
    /// Yes, and this login knows.
    Yes,
}

/// What to do when a device node may not be opened.
///
/// `group` is the group that owns the node and may read and write it; `None` if there is no such group, or if it is
/// the administrator's own, which nobody should join for a serial port.
///
/// ```
/// use transport::{Membership, permission_hint};
///
/// let hint = permission_hint(Some("dialout"), Membership::None);
/// assert!(hint.contains("sudo usermod -aG dialout $USER"));
/// ```
pub fn permission_hint(group: Option<&str>, membership: Membership) -> String {
    match (group, membership) {
        (Some(group), Membership::None) => format!(
            "the device belongs to group {group:?}: run \"sudo usermod -aG {group} $USER\", then log out and in again"
        ),
        (Some(group), Membership::SinceThisLogin) => format!(
            "the device belongs to group {group:?}; you are in it, but this login began before that: log out and in again"
        ),
        (Some(group), Membership::Yes) => format!(
            "the device belongs to group {group:?} and you are in it: something else forbids it (a sandbox or container)"
        ),
        (None, _) => {
            "only the administrator may open the device: ask for a udev rule that gives it to a group such as \
                      \"dialout\""
                .to_owned()
        }
    }
}

/// What to do when another program has a port, named where the system shows it.
pub fn busy_hint(holder: Option<&Holder>) -> String {
    match holder {
        Some(holder) if holder.pid == std::process::id() => {
            "this program itself has it open already: one session at a time for each port".to_owned()
        }
        Some(holder) => {
            format!("{:?} (process {}) has it open: close that program and try again", holder.program, holder.pid)
        }
        None => "another program has it open, and the system does not show which: close other terminals and monitors; \
                 a service that looks for modems may let go of it after some seconds"
            .to_owned(),
    }
}

/// What to do when a port does not exist: the nearest name and the ports there are.
pub fn not_found_hint(asked: &Path, ports: &[PortInfo]) -> String {
    if ports.is_empty() {
        return "no serial port is there: check the cable, the adapter and its driver".to_owned();
    }
    let asked = asked.to_string_lossy();
    let names: Vec<_> = ports.iter().map(|port| port.path.to_string_lossy()).collect();
    // Names mostly differ in their last letters: the folder in front must not make anything look near.
    let last = |name: &str| name.rsplit('/').next().unwrap_or_default().to_owned();
    let lasts: Vec<String> = names.iter().map(|name| last(name)).collect();
    let near = closest(&last(&asked), lasts.iter().map(String::as_str))
        .and_then(|near| lasts.iter().position(|last| last == near))
        .and_then(|place| names.get(place));
    let list: Vec<String> = ports.iter().map(|port| format!("{:?} ({})", port.path, port.description)).collect();
    let list = list.join(", ");
    match near {
        Some(near) => format!("did you mean {near:?}? the ports there are: {list}"),
        None => format!("the ports there are: {list}"),
    }
}

/// Turns a refused device node into its error: looks up who owns it, who has it and what else there is.
#[cfg(unix)]
pub(crate) mod lookup {
    use std::os::unix::fs::MetadataExt;
    use std::path::Path;

    use nix::unistd::{Gid, Group, Uid, User, getegid, getgroups, getuid};

    use super::{Membership, permission_hint};

    /// The hint for this device node and the person who runs this program.
    pub(crate) fn permission(path: &Path) -> String {
        let Ok(metadata) = std::fs::metadata(path) else {
            return "a folder on the way to it may not be entered".to_owned();
        };
        let group = owning_group(metadata.gid(), metadata.mode());
        let membership = group.as_ref().map_or(Membership::None, membership);
        permission_hint(group.as_ref().map(|group| group.name.as_str()), membership)
    }

    /// The group that may read and write the node, unless it is the administrator's.
    pub(crate) fn owning_group(gid: u32, mode: u32) -> Option<Group> {
        const GROUP_READ_WRITE: u32 = 0o060;
        if gid == 0 || mode & GROUP_READ_WRITE != GROUP_READ_WRITE {
            return None;
        }
        Group::from_gid(Gid::from_raw(gid)).ok().flatten()
    }

    fn membership(group: &Group) -> Membership {
        if getegid() == group.gid || getgroups().unwrap_or_default().contains(&group.gid) {
            return Membership::Yes;
        }
        let person: Uid = getuid();
        match User::from_uid(person) {
            Ok(Some(user)) if group.mem.contains(&user.name) => Membership::SinceThisLogin,
            _ => Membership::None,
        }
    }
}

#[cfg(not(unix))]
pub(crate) mod lookup {
    use std::path::Path;

    pub(crate) fn permission(_path: &Path) -> String {
        "another program may have it open: close that program and try again".to_owned()
    }
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use super::*;

    fn port(path: &str, description: &str) -> PortInfo {
        PortInfo {
            path: PathBuf::from(path),
            description: description.to_owned(),
            usb: None,
            held_by: None,
            latency_timer_ms: None,
        }
    }

    #[test]
    fn permission_says_the_group_and_the_exact_fix() {
        assert_eq!(
            permission_hint(Some("dialout"), Membership::None),
            "the device belongs to group \"dialout\": run \"sudo usermod -aG dialout $USER\", then log out and in again"
        );
        let late = permission_hint(Some("uucp"), Membership::SinceThisLogin);
        assert!(late.contains("log out and in again") && !late.contains("usermod"), "{late}");
        assert!(!permission_hint(Some("uucp"), Membership::Yes).contains("usermod"));
        assert!(!permission_hint(None, Membership::None).contains("usermod"));
    }

    #[cfg(unix)]
    #[test]
    fn nobody_is_told_to_join_a_group_that_does_not_help() {
        // Group 0 exists everywhere and is the administrator's.
        assert!(lookup::owning_group(0, 0o660).is_none());
        // A group that may only read does not help.
        assert!(lookup::owning_group(5, 0o640).is_none());
        // No such group.
        assert!(lookup::owning_group(3_999_999_999, 0o660).is_none());
    }

    #[test]
    fn busy_names_the_other_program_where_it_is_known() {
        let holder = Holder { pid: u32::MAX, program: "seed-logger".to_owned() };
        assert_eq!(
            busy_hint(Some(&holder)),
            "\"seed-logger\" (process 4294967295) has it open: close that program and try again"
        );
        let ours = Holder { pid: std::process::id(), program: "packwake".to_owned() };
        assert!(busy_hint(Some(&ours)).starts_with("this program itself"));
        assert!(busy_hint(None).contains("does not show which"));
    }

    #[test]
    fn not_found_lists_the_ports_and_the_nearest_name() {
        let ports = [port("/dev/ttyUSB1", "bench adapter"), port("/dev/ttyACM0", "flight controller")];
        assert_eq!(
            not_found_hint(Path::new("/dev/ttyUSB0"), &ports),
            "did you mean \"/dev/ttyUSB1\"? the ports there are: \"/dev/ttyUSB1\" (bench adapter), \
             \"/dev/ttyACM0\" (flight controller)"
        );
        assert!(not_found_hint(Path::new("ttyACM0"), &ports).starts_with("did you mean \"/dev/ttyACM0\"?"));
        assert!(not_found_hint(Path::new("/dev/modem"), &ports).starts_with("the ports there are: "));
        assert!(not_found_hint(Path::new("/dev/ttyUSB0"), &[]).starts_with("no serial port is there"));
    }
}
