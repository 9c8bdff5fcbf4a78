//! Opens the desktop on a recording, stopped at a moment: for looking at screens and for pictures.
//!
//! `cargo run -p packwake-desktop --example show -- recordings/acorn-weak-cell.mcap 20000`

use std::sync::Arc;

use desktop::sound::Players;
use desktop::start::Wish;
use desktop::{Practice, Ready, run};
use model::SessionTime;
use session::snapshot::Failure;
use session::worker::Replay;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let path = arguments.next().ok_or("give a recording")?.into();
    let until = arguments.next().map(|millis| millis.parse().map(SessionTime::from_millis)).transpose()?;
    let none = || Failure { text: "there is no practice pack here".to_owned(), ..Failure::default() };
    let practice = Practice { faults: Vec::new(), pack: None, start: Arc::new(move |_, _| Err(none())) };
    let first = Some(Wish::Replay(Replay { path, as_it_was: false, until, ..Replay::default() }));
    Ok(run(Ready { practice, tool_version: String::new(), host: String::new(), players: Players::none(), first })?)
}
