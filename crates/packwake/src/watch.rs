//! `watch`: live.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Result;
use model::{Command, HandReading, SessionHeader, Times};
use parser::Protocol;
use session::{Live, Question, json_line, live, text_line, verdict_lines};
use simulator::Fault;
use transport::{SerialSource, Source};

use crate::args::Watch;
use crate::files::{host_name, line_settings, read_pack, read_protocol, tool_version};
use crate::output::{Hinted, Prose, Results};
use crate::{Status, practice, status_line};

pub(crate) fn run(task: Watch, prose: &mut Prose) -> Result<Status> {
    let practice = match &task.practice {
        Some(name) => {
            let fault = practice::fault(name)?;
            let faults: Vec<Fault> = fault.map(Fault::new).into_iter().collect();
            Some(practice::start(&faults, 1)?)
        }
        None => None,
    };
    let (source, header) = match &practice {
        Some(running) => practice_source(running, task.practice.as_deref().unwrap_or("none"))?,
        None => real_source(&task, prose)?,
    };
    if let Source::Serial(serial) = &source
        && practice.is_none()
        && let Some(warning) = transport::opening_may_reset(&serial.settings)
    {
        prose.say(&format!("caution: {warning}"));
    }
    let is_practice = header.practice;
    let live_task = Live {
        source,
        header,
        record: task.record.clone(),
        length: task.length,
        before: readings(&task),
        may_ask: task.may_ask,
    };

    let mut results = Results::new();
    let json = task.print.json;
    let stop = tokio_util::sync::CancellationToken::new();
    let stop_when_closed = stop.clone();
    let mut next_summary = 1_u64;
    let every = if prose.is_terminal() { 1 } else { 10 };
    let end = live(
        live_task,
        &stop,
        &mut |event, _| {
            let line = if json { Some(json_line(event, is_practice)) } else { text_line(event, is_practice) };
            if let Some(line) = line {
                results.line(&line);
            }
            if results.closed() {
                stop_when_closed.cancel();
            }
        },
        &mut |note| match note {
            session::Note::Tick(engine) if !json => {
                let second = engine.judge().now().nanos / 1_000_000_000;
                if next_summary <= second {
                    next_summary = second - second % every + every;
                    prose.say(&status_line::summary(engine.judge()));
                    if second.is_multiple_of(10) {
                        for line in status_line::cells(engine.judge()) {
                            prose.say(&line);
                        }
                    }
                }
            }
            session::Note::Tick(_) => {}
            session::Note::Remark(text) => prose.say(&format!("note: {text}")),
        },
    )?;
    if let Some(running) = practice {
        running.stop();
    }
    let judge = end.engine.judge();
    let verdict = judge.verdict();
    if !json {
        for line in verdict_lines(&verdict, is_practice) {
            results.line(&line);
        }
    }
    if let Some(why) = &end.recording_incomplete {
        prose.say(&format!("the recording is incomplete: {why}"));
    }
    Ok(Status::of_session(verdict.outcome, judge.link_was_lost(), end.recording_incomplete.is_some()))
}

/// The running practice pack as a source, with its header.
pub(crate) fn practice_source(running: &simulator::Running, fault: &str) -> Result<(Source, SessionHeader)> {
    let (protocol, _) = parser::Protocol::parse(practice::PROTOCOL);
    let settings = protocol.and_then(|protocol| protocol.line()).unwrap_or(model::LineSettings::new(115_200));
    let source = Source::Serial(SerialSource { path: practice::path(running), settings });
    let name = if fault == "none" { "practice pack".to_owned() } else { format!("practice pack with {fault}") };
    Ok((source, header(practice::PROTOCOL.to_owned(), practice::PACK.to_owned(), name, true)))
}

fn real_source(task: &Watch, prose: &mut Prose) -> Result<(Source, SessionHeader)> {
    let need = |name: &str| {
        Hinted::error(
            format!("--{name} is missing"),
            "watching needs --protocol FILE (what the line carries) and --pack FILE (what the pack may do); \
             --practice needs neither",
        )
    };
    let from_nothing = task.port.is_none() && task.tcp.is_none() && task.udp.is_none() && task.standard_input.is_none();
    if from_nothing {
        return Err(Hinted::error(
            "nothing to watch",
            "give --port PATH (`packwake ports` lists them), --tcp HOST:PORT, --udp HOST:PORT or -; \
             `packwake watch --practice` needs nothing attached",
        ));
    }
    let protocol_path = task.protocol.as_deref().ok_or_else(|| need("protocol"))?;
    let (protocol, protocol_text) = read_protocol(protocol_path, prose)?;
    let (_, pack_text) = read_pack(task.pack.as_deref().ok_or_else(|| need("pack"))?, prose)?;
    let (source, name) = if let Some(path) = &task.port {
        let settings = line_settings(&protocol, task.baud, Some(protocol_path))?;
        let name = format!("{} at {settings}", path.display());
        (Source::Serial(SerialSource { path: path.clone(), settings }), name)
    } else if let Some(address) = &task.tcp {
        (Source::Tcp { address: address.clone() }, format!("tcp {address}"))
    } else if let Some(bind) = &task.udp {
        (Source::Udp { bind: bind.clone() }, format!("udp {bind}"))
    } else {
        (Source::StandardInput, "standard input".to_owned())
    };
    say_questions(task.may_ask, &source, protocol, protocol_path, prose)?;
    Ok((source, header(protocol_text, pack_text, name, false)))
}

/// Says what will be sent, or that nothing is; refuses a permission that nothing can come of.
fn say_questions(
    may_ask: bool,
    source: &Source,
    protocol: Protocol,
    protocol_path: &Path,
    prose: &mut Prose,
) -> Result<()> {
    let questions = session::questions(&Arc::new(protocol));
    if !may_ask {
        if !questions.is_empty() {
            let count = counted(questions.len());
            prose.say(&format!("note: the protocol file lists {count}; without --may-ask packwake sends nothing"));
        }
        return Ok(());
    }
    if questions.is_empty() {
        return Err(Hinted::error(
            format!("{} lists no question to ask", protocol_path.display()),
            "drop --may-ask, or list the questions in [[ask]] tables",
        ));
    }
    if source.only_listens() {
        return Err(Hinted::error(
            "--may-ask is of no use here: a UDP port and standard input are only listened to",
            "ask over --port or --tcp, or drop --may-ask",
        ));
    }
    prose.say(&format!("packwake will send {} to the device, as you allow:", counted(questions.len())));
    for Question { bytes, times, .. } in &questions {
        let bytes: Vec<String> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
        let (every, wait) = (amount(times.every), amount(times.wait));
        prose.say(&format!("  {}  every {every}, answered within {wait}", bytes.join(" ")));
    }
    Ok(())
}

fn counted(questions: usize) -> String {
    if questions == 1 { "1 question".to_owned() } else { format!("{questions} questions") }
}

/// As in a protocol file: whole milliseconds where they are whole.
fn amount(length: Duration) -> String {
    let nanos = length.as_nanos();
    match (nanos % 1_000_000_000, nanos % 1_000_000) {
        (0, _) => format!("{} s", nanos / 1_000_000_000),
        (_, 0) => format!("{} ms", nanos / 1_000_000),
        _ => format!("{} us", nanos / 1_000),
    }
}

pub(crate) fn header(protocol_text: String, pack_text: String, source: String, practice: bool) -> SessionHeader {
    SessionHeader {
        protocol_text,
        pack_text,
        source,
        practice,
        times: Times::Measured,
        started_utc_nanos: None,
        tool_version: tool_version(),
        host: host_name(),
    }
}

/// What was read and checked by hand before the start.
fn readings(task: &Watch) -> Vec<Command> {
    let with = || task.instrument.clone();
    let meter = task.meter.map(|nanovolts| HandReading::pack_voltage(nanovolts, with()));
    let leads = task.sense_leads.as_deref().map(|word| HandReading::sense_pins(word == "right", with()));
    let hand = task.hand.iter().map(|reading| HandReading { instrument: with(), ..reading.clone() });
    meter.into_iter().chain(leads).chain(hand).map(Command::Reading).collect()
}
