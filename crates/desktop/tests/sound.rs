//! The alarm that can be heard, with a player that writes down what it is asked to play.
#![cfg(unix)]
#![expect(clippy::disallowed_methods, reason = "sounds take this machine's time")]

mod common;

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use common::{recorded, running};
use desktop::sound::{By, Players, Sound, Status};
use desktop::tone::Tone;
use desktop::wording;
use session::Snapshot;
use session::rules::{AlarmState, Severity};
use session::snapshot::Latest;

/// A search path with players that log what they play, and take 0.3 s for it.
struct Machine {
    folder: tempfile::TempDir,
}

impl Machine {
    fn new() -> Self {
        Self { folder: tempfile::tempdir().expect("a folder") }
    }

    fn player(self, name: &str, then: &str) -> Self {
        let folder = self.folder.path().display();
        // A second one while the first still runs is written down, too.
        let script = format!(
            "#!/bin/sh\n[ -f {folder}/pid ] && kill -0 $(cat {folder}/pid) 2>/dev/null && echo TWO >> {folder}/log\n\
             echo $$ > {folder}/pid\necho \"{name} $(head -c 4 \"$1\") $(wc -c < \"$1\") $1\" >> {folder}/log\n{then}\n"
        );
        let path = self.folder.path().join(name);
        std::fs::write(&path, script).expect("written");
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o755)).expect("it can be run");
        self
    }

    fn sound(&self) -> Sound {
        Sound::start(Players::on(Some(self.folder.path().as_os_str()), false), Arc::new(|| {}))
    }

    /// What was played: player, and file.
    fn log(&self) -> Vec<(String, Tone, PathBuf)> {
        let log = std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default();
        let line = |line: &str| {
            let words: Vec<&str> = line.split_whitespace().collect();
            let [player, kind, length, path] = words[..] else { panic!("{line}") };
            assert_eq!(kind, "RIFF");
            let length: usize = length.parse().expect("a number");
            let tones = [Tone::Warning, Tone::Critical];
            let tone = tones.into_iter().find(|tone| tone.wav().len() == length).expect("it is one of ours");
            (player.to_owned(), tone, Path::new(path).to_owned())
        };
        log.lines().map(line).collect()
    }

    fn count(&self) -> usize {
        self.log().len()
    }
}

/// Hands this over again and again, as a session does, for so long.
fn hold(latest: &Latest, snapshot: &Snapshot, length: Duration) {
    let began = Instant::now();
    while began.elapsed() < length {
        latest.publish(snapshot.clone());
        std::thread::sleep(Duration::from_millis(50));
    }
}

const SECOND: Duration = Duration::from_secs(1);

fn critical() -> Snapshot {
    let snapshot = running("acorn-open-sense-lead.mcap", 16_000);
    assert!(snapshot.critical_now());
    snapshot
}

fn acknowledged(mut snapshot: Snapshot) -> Snapshot {
    for alarm in Arc::make_mut(&mut snapshot.alarms) {
        alarm.state = AlarmState::Acknowledged;
    }
    snapshot
}

#[test]
fn a_critical_alarm_sounds_again_and_again_until_it_is_acknowledged() {
    let machine = Machine::new().player("aplay", "exec sleep 0.3");
    let (sound, latest) = (machine.sound(), Arc::new(Latest::default()));
    sound.listen(Some(Arc::clone(&latest)));
    hold(&latest, &critical(), 4 * SECOND);
    let played = machine.log();
    assert!(2 <= played.len(), "{played:?}");
    assert!(played.iter().all(|(player, tone, _)| player == "aplay" && *tone == Tone::Critical), "{played:?}");
    assert!(sound.status().tried);
    hold(&latest, &acknowledged(critical()), SECOND);
    let played = machine.count();
    hold(&latest, &acknowledged(critical()), 2 * SECOND);
    assert_eq!((machine.count(), sound.status().sounding), (played, None), "acknowledged is silent");
    let path = machine.log()[0].2.clone();
    assert!(path.is_file());
    drop(sound);
    assert!(!path.exists(), "its files go with it");
}

#[test]
fn silenced_is_said_and_a_new_alarm_sounds_again() {
    let machine = Machine::new().player("paplay", "exec sleep 0.1");
    let (sound, latest) = (machine.sound(), Arc::new(Latest::default()));
    sound.listen(Some(Arc::clone(&latest)));
    let snapshot = critical();
    hold(&latest, &snapshot, SECOND);
    assert!(0 < machine.count());
    sound.silence();
    hold(&latest, &snapshot, SECOND);
    let played = machine.count();
    hold(&latest, &snapshot, 2 * SECOND);
    assert_eq!(machine.count(), played);
    assert_eq!(wording::sound(&sound.status()).text, "SILENCED until the next alarm");
    let mut more = snapshot;
    let alarms = Arc::make_mut(&mut more.alarms);
    let mut new = alarms[0].clone();
    new.number += 100;
    alarms.push(new);
    hold(&latest, &more, SECOND);
    assert!(played < machine.count() && !sound.status().silenced);
}

#[test]
fn a_warning_sounds_once() {
    let machine = Machine::new().player("pw-play", "exec sleep 0.1");
    let (sound, latest) = (machine.sound(), Arc::new(Latest::default()));
    sound.listen(Some(Arc::clone(&latest)));
    let mut snapshot = critical();
    for alarm in Arc::make_mut(&mut snapshot.alarms) {
        (alarm.severity, alarm.worst) = (Severity::Warning, Severity::Warning);
    }
    hold(&latest, &snapshot, 3 * SECOND);
    let tones: Vec<Tone> = machine.log().into_iter().map(|(_, tone, _)| tone).collect();
    assert_eq!(tones, [Tone::Warning]);
}

#[test]
fn data_that_stops_is_heard_and_a_session_that_died_is_an_alarm() {
    let machine = Machine::new().player("aplay", "exec sleep 0.1");
    let (sound, latest) = (machine.sound(), Arc::new(Latest::default()));
    sound.listen(Some(Arc::clone(&latest)));
    hold(&latest, &running("acorn-first-switch-on.mcap", 30_000), SECOND);
    assert_eq!(machine.count(), 0, "a sound pack is silent");
    // Nothing is handed over any more: first old, then nobody watches.
    std::thread::sleep(5 * SECOND);
    let tones: Vec<Tone> = machine.log().into_iter().map(|(_, tone, _)| tone).collect();
    assert_eq!(tones[..2], [Tone::Warning, Tone::Critical], "{tones:?}");
}

#[test]
fn a_recording_is_silent() {
    let machine = Machine::new().player("aplay", "");
    let (sound, latest) = (machine.sound(), Arc::new(Latest::default()));
    sound.listen(Some(Arc::clone(&latest)));
    hold(&latest, &recorded("acorn-open-sense-lead.mcap", None), SECOND);
    assert_eq!(machine.count(), 0);
}

#[test]
fn a_player_that_fails_gives_way_and_without_one_the_screen_says_so() {
    let machine = Machine::new().player("paplay", "exit 3").player("aplay", "exec sleep 0.1");
    let sound = machine.sound();
    assert_eq!(sound.status().by, By::Program("paplay".to_owned()));
    sound.test();
    until(&sound, |status| status.tried);
    let players: Vec<String> = machine.log().into_iter().map(|(player, ..)| player).collect();
    assert_eq!(players, ["paplay", "aplay"]);
    let machine = Machine::new().player("aplay", "exit 3");
    let sound = machine.sound();
    sound.test();
    until(&sound, |status| status.by == By::Nothing);
    let said = wording::sound(&sound.status()).text;
    assert!(said.starts_with("NO SOUND") && said.contains("aplay: exit status: 3"), "{said}");
    let nothing = Sound::start(Players::none(), Arc::new(|| {}));
    assert!(wording::sound(&nothing.status()).text.starts_with("NO SOUND"));
}

#[test]
fn nobody_waits_for_a_player_that_hangs() {
    let machine = Machine::new().player("aplay", "exec sleep 60");
    let (sound, latest) = (machine.sound(), Arc::new(Latest::default()));
    sound.listen(Some(Arc::clone(&latest)));
    hold(&latest, &critical(), SECOND);
    let began = Instant::now();
    for _ in 0..100 {
        sound.test();
        assert!(sound.status().sounding.is_some());
    }
    assert!(began.elapsed() < Duration::from_millis(200), "{:?}", began.elapsed());
    let began = Instant::now();
    drop(sound);
    assert!(began.elapsed() < SECOND, "it is ended, not waited for");
    assert_eq!(machine.count(), 1, "one at a time");
}

fn until(sound: &Sound, done: impl Fn(&Status) -> bool) {
    for _ in 0..500 {
        if done(&sound.status()) {
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("not within five seconds: {:?}", sound.status());
}
