//! The rate of a line that nobody knows: found by what is heard at each.

use identify::{Heard, Sureness, best};
use model::{LineSettings, Parity};
use packwake_tests::uart::{self, telegrams};

const RATES: [u32; 8] = [115_200, 9_600, 19_200, 57_600, 38_400, 230_400, 4_800, 2_400];

fn heard(telegrams: &[&[u8]], sent: &LineSettings, at: &LineSettings, counted: bool) -> Heard {
    let read = uart::read(telegrams, sent, at);
    // As much as is listened to at one rate.
    let bytes = read.bytes.get(..4_000).unwrap_or(&read.bytes);
    Heard::new(*at, bytes, counted.then_some(read.misread))
}

/// Every shipped protocol at several rates, read at all of them: the right one is found or none, whether the port counts what
/// it misreads or not.
#[test]
fn the_rate_is_found_or_none_is() {
    let (mut found, mut sure, mut asked) = (0, 0, 0);
    for entry in std::fs::read_dir(packwake_tests::root().join("protocols")).expect("the folder is there") {
        let path = entry.expect("it can be listed").path();
        let name = path.file_stem().expect("a name").to_string_lossy().into_owned();
        if path.extension().is_none_or(|end| end != "toml") {
            continue;
        }
        let telegrams = telegrams(&name);
        let telegrams: Vec<&[u8]> = telegrams.iter().map(Vec::as_slice).collect();
        for baud in [9_600, 57_600] {
            let sent = LineSettings::new(baud);
            for counted in [true, false] {
                let heard: Vec<Heard> =
                    RATES.iter().map(|at| heard(&telegrams, &sent, &LineSettings::new(*at), counted)).collect();
                asked += 1;
                for other in heard.iter().filter(|other| other.settings != sent) {
                    assert_ne!(other.sureness(), Some(Sureness::Sure), "{name}: {} for {sent}", other.settings);
                }
                let Some((told, sureness)) = best(&heard) else { continue };
                assert!(told.settings == sent || sureness == Sureness::Guess, "{name}: {} for {sent}", told.settings);
                found += usize::from(told.settings == sent);
                sure += usize::from(told.settings == sent && sureness == Sureness::Sure);
            }
        }
    }
    assert_eq!((asked, found, sure), (40, 40, 40), "lines, found, sure of them");
}

/// A parity bit makes every other byte look misread where none is expected, and none where it is.
#[test]
fn parity_is_told_where_the_port_counts() {
    let telegrams = telegrams("acorn-binary");
    let telegrams: Vec<&[u8]> = telegrams.iter().map(Vec::as_slice).collect();
    let line = |parity| LineSettings { parity, ..LineSettings::new(19_200) };
    let sent = line(Parity::Even);
    let heard: Vec<Heard> = [Parity::None, Parity::Even, Parity::Odd]
        .iter()
        .map(|parity| self::heard(&telegrams, &sent, &line(*parity), true))
        .collect();
    let sureness: Vec<Option<Sureness>> = heard.iter().map(Heard::sureness).collect();
    assert_eq!((sureness[0], sureness[2]), (None, None), "{sureness:?}");
    assert_eq!(best(&heard).map(|(heard, sureness)| (heard.settings, sureness)), Some((sent, Sureness::Sure)));
    assert!(heard[1].report.draft.as_ref().is_some_and(|draft| draft.contains("parity = \"even\"")));
}
