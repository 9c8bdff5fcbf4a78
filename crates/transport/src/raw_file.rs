//! A raw byte file as inputs with assumed times.

use std::fs::File;
use std::io::{BufReader, ErrorKind, Read};
use std::path::Path;
use std::time::Duration;

use model::{Input, InputKind, LineSettings, SessionTime};

use crate::open_error::{OpenError, OpenErrorKind};

/// The longest piece of a file that shares one stamp.
const LONGEST_PIECE: u64 = 64;
/// The longest time that one piece may take on the line: well below a tick.
const LONGEST_PIECE_TIME: Duration = Duration::from_millis(5);

/// Opens a raw byte file whose times are worked out from the line rate, as if the bytes had come back to back.
///
/// The inputs are Opened (named by the file's own name, whatever folder it lies in), Bytes in pieces of at most 64
/// bytes or 5 ms of line time, each stamped when its last byte would have arrived, and End with the last stamp.
/// The session's header must say `Times::Assumed`.
///
/// # Errors
/// If the file can't be opened, or the settings have a baud rate of zero.
pub fn raw_inputs(path: &Path, settings: &LineSettings) -> Result<RawFile, OpenError> {
    let what = || format!("file {path:?}");
    if settings.baud == 0 {
        return Err(OpenError::new(OpenErrorKind::Unsupported, what(), "a baud rate of 0 gives no times")
            .hinting("give the rate of the line that the bytes came from, such as 115200"));
    }
    let refused = |error: std::io::Error| {
        let (kind, hint) = match error.kind() {
            ErrorKind::NotFound => (OpenErrorKind::NotFound, "check the name and the folder"),
            ErrorKind::PermissionDenied => (OpenErrorKind::PermissionDenied, "it may not be read: check its owner"),
            _ => (OpenErrorKind::Failed, "check the disk"),
        };
        OpenError::new(kind, what(), error.to_string()).hinting(hint).caused_by(error)
    };
    let file = File::open(path).map_err(refused)?;
    if file.metadata().map_err(refused)?.is_dir() {
        return Err(OpenError::new(OpenErrorKind::WrongKind, what(), "it is a folder").hinting("give a file in it"));
    }
    let name = path.file_name().map_or_else(|| path.to_string_lossy(), |name| name.to_string_lossy());
    Ok(RawFile::new(BufReader::with_capacity(64 * 1024, file), &name, settings))
}

/// The inputs of a raw byte file, in order; reads as it goes.
///
/// A disk that fails midway gives Lost and then End.
#[derive(Debug)]
pub struct RawFile<R = BufReader<File>> {
    bytes: R,
    source: String,
    settings: LineSettings,
    piece: u64,
    read: u64,
    next: Next,
}

#[derive(Debug)]
enum Next {
    Opened,
    Bytes,
    End,
    Nothing,
}

impl<R: Read> RawFile<R> {
    fn new(bytes: R, name: &str, settings: &LineSettings) -> Self {
        let byte_nanos = settings.time_of(1).as_nanos().max(1);
        let in_time = u64::try_from(LONGEST_PIECE_TIME.as_nanos() / byte_nanos).unwrap_or(LONGEST_PIECE);
        Self {
            bytes,
            source: format!("file {name}, times assumed from {settings}"),
            settings: *settings,
            piece: in_time.clamp(1, LONGEST_PIECE),
            read: 0,
            next: Next::Opened,
        }
    }

    fn now(&self) -> SessionTime {
        SessionTime::from_duration(self.settings.time_of(self.read))
    }

    fn next_piece(&mut self) -> InputKind {
        let mut piece = Vec::new();
        // Reads on over short reads and interruptions, so that pieces do not depend on the disk.
        let outcome = (&mut self.bytes).take(self.piece).read_to_end(&mut piece);
        if !piece.is_empty() {
            // An error after some bytes comes again at the next read.
            self.read += piece.len() as u64;
            return InputKind::Bytes(piece);
        }
        match outcome {
            Ok(_) => {
                self.next = Next::Nothing;
                InputKind::End
            }
            Err(error) => {
                self.next = Next::End;
                InputKind::Lost { why: error.to_string() }
            }
        }
    }
}

impl<R: Read> Iterator for RawFile<R> {
    type Item = Input;

    fn next(&mut self) -> Option<Input> {
        let kind = match self.next {
            Next::Opened => {
                self.next = Next::Bytes;
                InputKind::Opened { source: self.source.clone() }
            }
            Next::Bytes => self.next_piece(),
            Next::End => {
                self.next = Next::Nothing;
                InputKind::End
            }
            Next::Nothing => return None,
        };
        Some(Input::new(self.now(), kind))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(inputs: impl Iterator<Item = Input>) -> Vec<String> {
        inputs
            .map(|input| match input.kind {
                InputKind::Bytes(bytes) => format!("{} bytes {}", input.at, bytes.len()),
                InputKind::Opened { source } => format!("{} opened {source}", input.at),
                InputKind::Lost { why } => format!("{} lost {why}", input.at),
                kind => format!("{} {kind:?}", input.at),
            })
            .collect()
    }

    /// 8N1 takes 10 bits a byte: at 19200 baud 10 bytes take 5.208333 ms, 9 bytes 4.6875 ms (worked out by hand).
    #[test]
    fn a_piece_is_stamped_when_its_last_byte_would_have_arrived() {
        let file = RawFile::new(&[0x55; 20][..], "a.bin", &LineSettings::new(19_200));
        assert_eq!(
            told(file),
            [
                "0.000 opened file a.bin, times assumed from 19200 8N1",
                "0.0046875 bytes 9",
                "0.009375 bytes 9",
                "0.010416666 bytes 2",
                "0.010416666 End",
            ]
        );
    }

    #[test]
    fn pieces_are_at_most_64_bytes_and_at_least_one() {
        let fast = RawFile::new(&[0; 130][..], "a", &LineSettings::new(1_000_000));
        assert_eq!(told(fast)[1..], ["0.00064 bytes 64", "0.00128 bytes 64", "0.0013 bytes 2", "0.0013 End"]);
        let slow = RawFile::new(&[0; 2][..], "a", &LineSettings::new(300));
        assert_eq!(told(slow)[1..], ["0.033333333 bytes 1", "0.066666666 bytes 1", "0.066666666 End"]);
    }

    #[test]
    fn an_empty_file_opens_and_ends() {
        let file = RawFile::new(&[][..], "empty", &LineSettings::new(115_200));
        assert_eq!(told(file).len(), 2);
    }

    #[test]
    fn a_failing_disk_is_lost_and_ends() {
        struct Failing(u32);
        impl Read for Failing {
            fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
                self.0 += 1;
                match self.0 {
                    1 => Err(ErrorKind::Interrupted.into()),
                    2 => {
                        buffer[..3].copy_from_slice(b"abc");
                        Ok(3)
                    }
                    _ => Err(std::io::Error::other("the disk is gone")),
                }
            }
        }
        let file = RawFile::new(Failing(0), "a", &LineSettings::new(1_000_000));
        assert_eq!(told(file)[1..], ["0.00003 bytes 3", "0.00003 lost the disk is gone", "0.00003 End"]);
    }

    #[test]
    fn refusals_say_what_to_do() {
        let settings = LineSettings::new(115_200);
        let folder = tempfile::tempdir().unwrap();
        let error = raw_inputs(folder.path(), &settings).unwrap_err();
        assert_eq!(error.kind(), OpenErrorKind::WrongKind);
        let error = raw_inputs(&folder.path().join("none.bin"), &settings).unwrap_err();
        assert_eq!(error.kind(), OpenErrorKind::NotFound);
        assert!(error.hint().is_some() && std::error::Error::source(&error).is_some());
        let path = folder.path().join("log.bin");
        std::fs::write(&path, [1, 2, 3]).unwrap();
        assert_eq!(raw_inputs(&path, &LineSettings::new(0)).unwrap_err().kind(), OpenErrorKind::Unsupported);
        let inputs: Vec<Input> = raw_inputs(&path, &settings).unwrap().collect();
        assert_eq!(inputs.len(), 3);
        assert_eq!(inputs[1].kind, InputKind::Bytes(vec![1, 2, 3]));
    }
}
