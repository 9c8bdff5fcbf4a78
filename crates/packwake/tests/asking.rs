//! `--may-ask`, from the outside: what is shown, what a device at the other end of a connection hears, and what is
//! refused.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};

use packwake_tests::program::{Ended, Program};

const PROGRAM: Program = Program::new(env!("CARGO_BIN_EXE_packwake"));

/// Two start bytes, a kind, a body, the exclusive or of kind and body.
const PROTOCOL: &str = r#"
protocol = "seed hopper, asked"

[[frame]]
name = "plain"
start = "5E ED"
parts = [
  { name = "kind", type = "u8", role = "id" },
  { name = "body", role = "body" },
  { name = "check", type = "u8", role = "check", sum = "xor", first = "kind", last = "body" },
]

[[message]]
name = "ask_cells"
frames = ["plain"]
id = { kind = 1 }
parts = [{ name = "from", type = "u8" }]

[[message]]
name = "cells"
frames = ["plain"]
id = { kind = 2 }
answers = "ask_cells"
every = "200 ms"
parts = [{ name = "cell", type = "u16 be", times = 2, unit = "mV", channel = "cell voltage" }]
"#;

const ASKS: &str = r#"
[[ask]]
message = "ask_cells"
values = { from = 7 }
every = "200 ms"
wait = "100 ms"
"#;
const QUESTION: [u8; 5] = [0x5E, 0xED, 1, 7, 6];
const ANSWER: [u8; 8] = [0x5E, 0xED, 2, 0x0F, 0, 0x0F, 0, 2];

const PACK: &str = r#"
pack = "Seed hopper 2S"
chemistry = "NMC"
cells = 2
capacity = "10 Ah"
temperatures = ["between the cells"]
"#;

struct Files {
    folder: PathBuf,
    arguments: [String; 4],
}

fn files(name: &str, protocol: &str) -> Files {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("asking").join(name);
    // There is none at the first run.
    drop(std::fs::remove_dir_all(&folder));
    std::fs::create_dir_all(&folder).expect("the target folder can be written");
    let file = |name: &str, text: &str| {
        let path = folder.join(name);
        std::fs::write(&path, text).expect("the target folder can be written");
        path.display().to_string()
    };
    let (protocol, pack) = (file("protocol.toml", protocol), file("pack.toml", PACK));
    let arguments = ["--protocol".to_owned(), protocol, "--pack".to_owned(), pack];
    Files { folder, arguments }
}

/// Answers each question until the connection is closed; all that it heard.
fn serve(mut line: TcpStream) -> Vec<u8> {
    let (mut heard, mut buffer) = (Vec::new(), [0; 256]);
    while let Ok(read @ 1..) = line.read(&mut buffer) {
        heard.extend_from_slice(&buffer[..read]);
        if heard.ends_with(&QUESTION) && line.write_all(&ANSWER).is_err() {
            break;
        }
    }
    heard
}

/// Watches a device for two seconds; what the program said and what the device heard.
fn watch(files: &Files, more: &[&str]) -> (Ended, Vec<u8>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port is free");
    let address = listener.local_addr().expect("it has an address").to_string();
    let device = std::thread::Builder::new().name("device".to_owned());
    let device = device.spawn(move || serve(listener.accept().expect("it connects").0)).expect("a thread");
    let mut arguments = vec!["watch", "--tcp", &address, "--for", "2s", "--json"];
    arguments.extend(files.arguments.iter().map(String::as_str).chain(more.iter().copied()));
    let ended = PROGRAM.run(arguments);
    (ended, device.join().expect("the device works"))
}

#[test]
fn with_permission_the_bytes_are_shown_first_then_sent_and_recorded() {
    let files = files("allowed", &format!("{PROTOCOL}{ASKS}"));
    let file = files.folder.join("asked.mcap").display().to_string();
    let (ended, heard) = watch(&files, &["--may-ask", "--record", &file]);
    assert_eq!(ended.status, Some(3), "{}", ended.stderr);
    let shown = "packwake will send 1 question to the device, as you allow:\n  \
                 5E ED 01 07 06  every 200 ms, answered within 100 ms\n";
    assert!(ended.stderr.contains(shown), "{}", ended.stderr);
    assert!(!ended.stderr.contains("sends nothing"), "{}", ended.stderr);
    let questions = heard.len() / QUESTION.len();
    assert!((6..=10).contains(&questions) && heard == QUESTION.repeat(questions), "{heard:02X?}");
    let events = ended.json();
    let sent: Vec<_> = events.iter().filter(|event| event["change"] == "sent").collect();
    assert_eq!(sent.len(), 1);
    assert_eq!(sent[0]["text"], "asks 5E ED 01 07 06 (5 bytes, recorded each time, said once)");
    // The answers are paired: they count as sound frames.
    assert!(events.iter().any(|event| event["change"] == "first frame"), "{}", ended.stdout);

    let replayed = PROGRAM.run(["replay", &file, "--json"]);
    assert_eq!((replayed.status, replayed.stderr.as_str()), (Some(3), ""));
    let watched: Vec<&str> = ended.stdout.lines().filter(|line| !line.starts_with(r#"{"event":"recorder","#)).collect();
    assert_eq!(replayed.stdout.lines().collect::<Vec<_>>(), watched);
}

#[test]
fn without_permission_nothing_is_sent_and_that_is_said() {
    let (ended, heard) = watch(&files("not-allowed", &format!("{PROTOCOL}{ASKS}")), &[]);
    assert_eq!(heard, b"");
    assert_eq!(ended.status, Some(3), "{}", ended.stderr);
    let note = "note: the protocol file lists 1 question; without --may-ask packwake sends nothing";
    assert!(ended.stderr.contains(note), "{}", ended.stderr);
    assert!(!ended.stdout.contains(r#""sent""#), "{}", ended.stdout);
}

#[test]
fn a_permission_that_nothing_can_come_of_is_refused() {
    let (without, with) = (files("no-questions", PROTOCOL), files("one-way", &format!("{PROTOCOL}{ASKS}")));
    let cases = [
        (&without, vec!["--tcp", "127.0.0.1:9"], "lists no question to ask", "hint: drop --may-ask, or list"),
        (&with, vec!["--udp", "127.0.0.1:0"], "only listened to", "hint: ask over --port or --tcp, or drop --may-ask"),
        (&with, vec!["-"], "only listened to", "hint: ask over --port or --tcp, or drop --may-ask"),
    ];
    for (files, from, message, hint) in cases {
        let arguments = ["watch", "--may-ask", "--for", "1s"].into_iter().chain(from);
        let ended = PROGRAM.run(arguments.chain(files.arguments.iter().map(String::as_str)));
        assert_eq!((ended.status, ended.stdout.as_str()), (Some(2), ""), "{}", ended.stderr);
        assert!(ended.stderr.contains(message) && ended.stderr.contains(hint), "{}", ended.stderr);
    }
    let ended = PROGRAM.run(["watch", "--practice", "--may-ask"]);
    assert_eq!(ended.status, Some(2));
    assert!(ended.stderr.contains("cannot be used with"), "{}", ended.stderr);
}

#[test]
fn help_says_what_the_permission_does() {
    let help = PROGRAM.run(["watch", "--help"]).stdout;
    let words = help.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("--may-ask Send the questions of the protocol file to the device"), "{help}");
    assert!(words.contains("Without this packwake only listens and sends nothing"), "{help}");
}
