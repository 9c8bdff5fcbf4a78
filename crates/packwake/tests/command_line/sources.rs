//! Standard input, TCP, UDP and a simulated port as sources.

use std::io::{Read, Write};
use std::net::{TcpListener, UdpSocket};
use std::time::Duration;

use model::SessionTime;
use packwake_tests::program::Ended;
use simulator::Scene;

use crate::{PROGRAM, described_by};

const PROTOCOL: &str = "protocols/acorn-text.toml";
const PACK: &str = "packs/sapling-14s-nmc.toml";

/// Two seconds of a sound line: 20 messages with cells and 10 with the rest.
fn pieces() -> Vec<(SessionTime, Vec<u8>)> {
    packwake_tests::feed::simulated_bytes(PROTOCOL, &Scene::practice(2), &[], SessionTime::from_millis(2_000))
}

fn watch(arguments: &[&str]) -> packwake_tests::program::Started {
    let named = described_by(PROTOCOL, PACK);
    let all = ["watch", "--json"].into_iter().chain(arguments.iter().copied()).chain(named.iter().map(String::as_str));
    PROGRAM.start(all)
}

/// Sound frames and damaged ones, as the verdict counts them.
fn frames(ended: &Ended) -> String {
    let verdict = ended.verdict();
    assert_ne!(verdict["practice"], true);
    let check = |name: &str| {
        let checks = verdict["checks"].as_array().expect("a list").iter();
        checks.clone().find(|check| check["check"] == name).expect("it is listed")["why"]
            .as_str()
            .expect("words")
            .to_owned()
    };
    check("link")
}

#[test]
fn standard_input_is_read_to_its_end() {
    let mut running = watch(&["-"]);
    let mut input = running.input();
    packwake_tests::feed::play(&pieces(), |bytes| input.write_all(bytes).is_ok());
    drop(input);
    let ended = running.wait();
    assert_eq!(ended.status, Some(3), "{}", ended.stderr);
    assert_eq!(frames(&ended), "30 sound frames, 0 damaged");
    let verdict = ended.verdict();
    assert!(verdict["because"][0].as_str().unwrap().contains("a verdict needs 15 s"), "{verdict}");
    let end = verdict["at_s"].as_f64().unwrap();
    assert!((1.9..4.0).contains(&end), "it lasts as long as the bytes come: {end}");
}

#[test]
fn standard_input_that_is_empty_is_not_go() {
    let ended = watch(&["-"]).wait();
    assert_eq!(ended.status, Some(3), "{}", ended.stderr);
    let because = ended.verdict()["because"][0].to_string();
    assert!(because.contains("no byte came"), "{because}");
}

#[test]
fn a_tcp_connection_is_read_and_its_loss_is_told() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let running = watch(&["--tcp", &address, "--for", "4s"]);
    let (mut connection, _) = listener.accept().unwrap();
    drop(listener);
    packwake_tests::feed::play(&pieces(), |bytes| connection.write_all(bytes).is_ok());
    // Nothing was sent to the other side.
    connection.set_read_timeout(Some(Duration::from_millis(10))).unwrap();
    assert!(connection.read(&mut [0; 16]).is_err());
    drop(connection);
    let ended = running.wait();
    assert_eq!(ended.status, Some(4), "{}", ended.stderr);
    assert!(frames(&ended).starts_with("the link was lost at "), "{}", ended.last_line());
    let live = ended.json().into_iter().filter(|event| event["change"] == "first frame").count();
    assert_eq!(live, 1);
}

#[test]
fn datagrams_are_heard() {
    // A port that was free a moment ago.
    let address = UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
    let running = watch(&["--udp", &address, "--for", "3s"]);
    running.line(0, |line| line.contains("opened"));
    let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
    // A frame does not go across the edge of a datagram: one line of text each.
    let bytes: Vec<u8> = pieces().into_iter().flat_map(|(_, bytes)| bytes).collect();
    for line in bytes.split_inclusive(|byte| *byte == b'\n') {
        socket.send_to(line, &address).unwrap();
        std::thread::sleep(Duration::from_millis(20));
    }
    let ended = running.wait();
    assert_eq!(ended.status, Some(3), "{}", ended.stderr);
    assert_eq!(frames(&ended), "30 sound frames, 0 damaged");
}

#[test]
fn a_simulated_line_prints_its_path_and_can_be_watched_as_a_port() {
    let protocol = crate::shipped(PROTOCOL);
    let line = PROGRAM.start([
        "simulate",
        "open-sense-lead",
        "--at",
        "1s",
        "--place",
        "3",
        "--protocol",
        &protocol,
        "--for",
        "3s",
        "--seed",
        "9",
    ]);
    let (_, port) = line.line(0, |_| true);
    let watched = watch(&["--port", &port, "--for", "3s", "--meter", "53.6V", "--sense-leads", "right"]).wait();
    assert_eq!(watched.status, Some(1), "{}", watched.stderr);
    let because = watched.verdict()["because"].to_string();
    assert!(because.contains("cell 3") && because.contains("cell 4"), "{because}");
    assert!(watched.stdout.contains("pack voltage by meter: 53.60 V"), "{}", watched.stdout);
    let simulated = line.kill();
    assert_eq!(simulated.stdout, format!("{port}\n"));
    assert!(simulated.stderr.contains("practice: no real pack"), "{}", simulated.stderr);
}
