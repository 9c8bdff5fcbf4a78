//! Recordings become accounts: the facts of the file, and work on a thread of its own for whoever must not wait.

use std::io::Read;
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use report::{Account, FileFacts};
use sha2::{Digest, Sha256};

use crate::account::account;
use crate::opening;
use crate::snapshot::Failure;

/// Progress is told after so many inputs.
const TOLD: u64 = 1024;

/// What is known of the file of a session before it is read: its name, length and hash.
pub fn file_facts(path: &Path, bytes: u64) -> FileFacts {
    let name = path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    FileFacts { name, bytes, sha256: sha256(path).ok(), damage: Vec::new(), otherwise: Vec::new() }
}

/// The file's hash, read a piece at a time.
fn sha256(path: &Path) -> std::io::Result<String> {
    let mut file = std::fs::File::open(path)?;
    let (mut hash, mut piece) = (Sha256::new(), vec![0; 1 << 16]);
    loop {
        match file.read(&mut piece)? {
            0 => break,
            read => hash.update(piece.get(..read).unwrap_or_default()),
        }
    }
    Ok(hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect())
}

/// What is missing or damaged in a recording, in words. Known when all inputs are read.
pub fn damage(inputs: &recording::Inputs) -> Vec<String> {
    let mut damage: Vec<String> = inputs.damage().iter().map(ToString::to_string).collect();
    if !inputs.complete() {
        damage.push("the recording has no end: it was cut off, or the program was killed".to_owned());
    }
    damage
}

/// Judges a recording again by its own texts, as a report and a comparison need it. `None` if it was told to stop.
///
/// # Errors
/// It can't be read, is none, or its texts can't be used.
pub fn account_of(path: &Path, going: &Going) -> Result<Option<Account>, Failure> {
    let recording = opening::recording(path)?;
    going.adds(recording.len_bytes());
    let facts = file_facts(path, recording.len_bytes());
    let header = recording.header().clone();
    let mut inputs = recording.inputs_ahead();
    let (mut count, mut told) = (0_u64, 0);
    let next = std::iter::from_fn(|| {
        count += 1;
        if count.is_multiple_of(TOLD) {
            let read = inputs.position_bytes();
            going.did(read - std::mem::replace(&mut told, read));
        }
        // What is begun and not wanted any more ends as if it were cut off.
        if going.is_stopped() { None } else { inputs.next() }
    });
    let account = account(header, facts, next).map_err(|unusable| Failure {
        text: unusable.to_string(),
        protocol: unusable.protocol,
        pack: unusable.pack,
        ..Failure::default()
    });
    if going.is_stopped() {
        return Ok(None);
    }
    let mut account = account?;
    account.file.damage = damage(&inputs);
    Ok(Some(account))
}

/// How far some work is, and whether it is still wanted.
#[derive(Debug, Default)]
pub struct Going {
    all: AtomicU64,
    done: AtomicU64,
    stopped: AtomicBool,
}

impl Going {
    /// So much more there is to do.
    pub fn adds(&self, bytes: u64) {
        self.all.fetch_add(bytes, Ordering::Relaxed);
    }

    /// So much more is done.
    pub fn did(&self, bytes: u64) {
        self.done.fetch_add(bytes, Ordering::Relaxed);
    }

    /// In hundredths of what is known of.
    pub fn percent(&self) -> u64 {
        let all = self.all.load(Ordering::Relaxed).max(1);
        (self.done.load(Ordering::Relaxed) * 100 / all).min(100)
    }

    /// Nobody wants the result any more.
    pub fn stop(&self) {
        self.stopped.store(true, Ordering::Relaxed);
    }

    /// Whether nobody does.
    pub fn is_stopped(&self) -> bool {
        self.stopped.load(Ordering::Relaxed)
    }
}

/// What came of it, once it is done.
type Done<T> = Option<Result<Arc<T>, Failure>>;

/// Work on a thread of its own. Dropping it stops the work and does not wait for that.
#[derive(Debug)]
pub struct Aside<T> {
    going: Arc<Going>,
    result: Arc<Mutex<Done<T>>>,
}

/// Takes the result where it belongs, however the thread ends, and wakes whoever waits.
struct Ends<T> {
    result: Arc<Mutex<Done<T>>>,
    wake: Arc<dyn Fn() + Send + Sync>,
}

impl<T> Drop for Ends<T> {
    fn drop(&mut self) {
        let mut result = self.result.lock().unwrap_or_else(PoisonError::into_inner);
        result.get_or_insert_with(|| {
            let text = "stopped by a fault of this program".to_owned();
            Err(Failure { text, ..Failure::default() })
        });
        drop(result);
        (self.wake)();
    }
}

impl<T: Send + Sync + 'static> Aside<T> {
    /// Begins. `wake` is called when it is done.
    ///
    /// # Errors
    /// The system gave no thread.
    pub fn start(
        name: &str,
        wake: Arc<dyn Fn() + Send + Sync>,
        work: impl FnOnce(&Going) -> Result<T, Failure> + Send + 'static,
    ) -> std::io::Result<Self> {
        let aside = Self { going: Arc::default(), result: Arc::default() };
        let (going, result) = (Arc::clone(&aside.going), Arc::clone(&aside.result));
        std::thread::Builder::new().name(name.to_owned()).spawn(move || {
            let ends = Ends { result, wake };
            let done = work(&going).map(Arc::new);
            *ends.result.lock().unwrap_or_else(PoisonError::into_inner) = Some(done);
        })?;
        Ok(aside)
    }

    /// What came of it; `None` while it goes on.
    pub fn result(&self) -> Option<Result<Arc<T>, Failure>> {
        self.result.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// How far it is, in hundredths.
    pub fn percent(&self) -> u64 {
        self.going.percent()
    }
}

impl<T> Drop for Aside<T> {
    fn drop(&mut self) {
        self.going.stop();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shipped() -> std::path::PathBuf {
        std::path::PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../recordings/acorn-weak-cell.mcap"))
    }

    fn result_of<T: Send + Sync + 'static>(aside: &Aside<T>) -> Result<Arc<T>, Failure> {
        for _ in 0..10_000 {
            if let Some(result) = aside.result() {
                return result;
            }
            std::thread::sleep(std::time::Duration::from_millis(2));
        }
        panic!("it did not end");
    }

    #[test]
    fn a_recording_becomes_an_account_aside() {
        let path = shipped();
        let (woken, wakes) = std::sync::mpsc::sync_channel(1);
        let wake = Arc::new(move || _ = woken.try_send(()));
        let aside = Aside::start("account", wake, move |going| account_of(&path, going)).unwrap();
        let account = result_of(&aside).unwrap();
        assert!(wakes.recv_timeout(std::time::Duration::from_secs(10)).is_ok(), "nobody was woken");
        let account = Option::as_ref(&account).unwrap();
        assert!(account.file.name == "acorn-weak-cell.mcap" && account.file.sha256.is_some() && account.complete);
        assert!(!account.is_incomplete() && !account.plots.is_empty());
    }

    #[test]
    fn what_nobody_wants_any_more_ends() {
        let going = Going::default();
        going.stop();
        assert!(account_of(&shipped(), &going).unwrap().is_none());
    }

    #[test]
    fn what_is_no_recording_says_so() {
        let folder = tempfile::tempdir().unwrap();
        let text = folder.path().join("log.mcap");
        std::fs::write(&text, b"no recording at all").unwrap();
        for path in [folder.path().join("none.mcap"), text] {
            let failure = account_of(&path, &Going::default()).unwrap_err();
            assert!(!failure.text.is_empty(), "{failure:?}");
        }
        let aside = Aside::<()>::start("fault", Arc::new(|| {}), |_| panic!("on purpose, in a test")).unwrap();
        assert!(result_of(&aside).unwrap_err().text.contains("fault of this program"));
    }

    /// FIPS 180-4, the example of one block, "abc" (from memory).
    #[test]
    fn the_hash_is_the_published_one() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("abc");
        std::fs::write(&path, b"abc").unwrap();
        let facts = file_facts(&path, 3);
        let expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!((facts.name.as_str(), facts.sha256.as_deref()), ("abc", Some(expected)));
    }
}
