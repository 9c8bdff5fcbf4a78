//! The recordings that are shipped: how each was made.
//!
//! They are invented data, marked as practice. The files stay as they are when the simulator changes; what a file must
//! lead to stands beside it, written by hand.

use model::{Command, HandReading, Input, InputKind, SessionHeader, SessionTime, Times};
use simulator::{Act, Fault, FaultKind, Scene};

use crate::pairs::{ACORN, FIELD, Pair, SAPLING, at_seconds, script};
use crate::through_adapter;

/// How a recording is made.
#[derive(Clone, Debug)]
pub struct Recipe {
    /// The name of the file, without its ending.
    pub name: String,
    /// The pack and its protocol.
    pub pair: Pair,
    /// The power-up.
    pub scene: Scene,
    /// What is wrong.
    pub faults: Vec<Fault>,
    /// What the person did, in seconds.
    pub commands: Vec<(f64, Command)>,
    /// How long it is.
    pub length: SessionTime,
    /// What the header says that it is.
    pub source: String,
}

/// All of them.
pub fn recipes() -> Vec<Recipe> {
    vec![first_switch_on(), next_season(), open_sense_lead(), weak_cell(), sensor_open(), damaged_data_line()]
}

/// The practice power-up of the big pack with a fault as bad as can be, for a recording that is not there yet.
pub fn of_fault(kind: FaultKind) -> Recipe {
    let seconds = if matches!(kind, FaultKind::WeldedContact | FaultKind::BusLiveEarly) { 90.0 } else { 60.0 };
    Recipe {
        name: format!("{}-{kind}", ACORN.name),
        pair: ACORN,
        scene: ACORN.scene(200),
        faults: vec![Fault::new(kind)],
        commands: Vec::new(),
        length: at_seconds(seconds),
        source: format!("recorded practice: Acorn, {}", kind.about()),
    }
}

fn first_switch_on() -> Recipe {
    let reading = Command::Reading(HandReading::pack_voltage(91_900_000_000, "club meter"));
    Recipe {
        name: "acorn-first-switch-on".to_owned(),
        pair: ACORN,
        scene: scene(
            ACORN,
            101,
            &[
                (8.0, Act::PreCharge),
                (10.5, Act::Close),
                (11.0, Act::Load(2.0)),
                (18.0, Act::Load(35.0)),
                (24.0, Act::Load(2.0)),
                (28.0, Act::Load(0.0)),
                (36.0, Act::Open),
            ],
        ),
        faults: Vec::new(),
        commands: vec![(4.0, reading), (7.5, mark("pre-charge")), (17.5, mark("props off, throttle to a third"))],
        length: at_seconds(45.0),
        source: "recorded practice: Acorn, first switch-on, nothing wrong".to_owned(),
    }
}

/// The cells of the first switch-on on another day: one has lost charge, not enough for an alarm.
fn next_season() -> Recipe {
    let reading = Command::Reading(HandReading::pack_voltage(91_900_000_000, "club meter"));
    let mut scene = scene(
        ACORN,
        106,
        &[
            (6.0, Act::PreCharge),
            (8.5, Act::Close),
            (9.0, Act::Load(2.0)),
            (17.0, Act::Load(35.0)),
            (23.0, Act::Load(2.0)),
            (27.0, Act::Load(0.0)),
        ],
    );
    scene.pack.seed = Some(101);
    Recipe {
        name: "acorn-next-season".to_owned(),
        pair: ACORN,
        scene,
        faults: vec![fault(FaultKind::LowCell, 0.0, 7, 0.18)],
        commands: vec![(3.0, reading), (16.5, mark("props off, throttle to a third"))],
        length: at_seconds(40.0),
        source: "recorded practice: Acorn after the winter, a cell has lost a little charge".to_owned(),
    }
}

fn open_sense_lead() -> Recipe {
    Recipe {
        name: "acorn-open-sense-lead".to_owned(),
        pair: ACORN,
        scene: scene(
            ACORN,
            102,
            &[
                (6.0, Act::PreCharge),
                (8.5, Act::Close),
                (9.0, Act::Load(2.0)),
                (30.0, Act::Load(0.0)),
                (32.0, Act::Open),
            ],
        ),
        faults: vec![fault(FaultKind::OpenSenseLeadMidpoint, 14.0, 9, 0.8)],
        commands: vec![(8.0, mark("switch on"))],
        length: at_seconds(40.0),
        source: "recorded practice: Acorn, a sense lead works loose while the speed controllers idle".to_owned(),
    }
}

fn weak_cell() -> Recipe {
    Recipe {
        name: "acorn-weak-cell".to_owned(),
        pair: ACORN,
        scene: scene(
            ACORN,
            103,
            &[
                (5.0, Act::PreCharge),
                (7.5, Act::Close),
                (8.0, Act::Load(2.0)),
                (16.0, Act::Load(60.0)),
                (22.0, Act::Load(2.0)),
                (26.0, Act::Load(0.0)),
                (30.0, Act::Open),
            ],
        ),
        faults: vec![fault(FaultKind::WeakCell, 0.0, 17, 0.7)],
        commands: vec![(15.5, mark("props off, throttle to a half"))],
        length: at_seconds(38.0),
        source: "recorded practice: Acorn, a weak cell under its first load step".to_owned(),
    }
}

fn sensor_open() -> Recipe {
    Recipe {
        name: "sapling-sensor-open".to_owned(),
        pair: SAPLING,
        scene: scene(
            SAPLING,
            104,
            &[
                (5.0, Act::PreCharge),
                (7.5, Act::Close),
                (8.0, Act::Load(1.0)),
                (16.0, Act::Load(18.0)),
                (21.0, Act::Load(1.0)),
                (25.0, Act::Load(0.0)),
            ],
        ),
        faults: vec![fault(FaultKind::SensorOpen, 13.0, 2, 1.0)],
        commands: Vec::new(),
        length: at_seconds(40.0),
        source: "recorded practice: Sapling, a temperature sensor's plug slips off".to_owned(),
    }
}

fn damaged_data_line() -> Recipe {
    Recipe {
        name: "field-damaged-data-line".to_owned(),
        pair: FIELD,
        scene: scene(
            FIELD,
            105,
            &[(5.0, Act::PreCharge), (7.5, Act::Close), (8.0, Act::Load(2.5)), (20.0, Act::Load(25.0))],
        ),
        // The simulator can't tie damage to the current: it begins when the current rises, and both last to the end.
        faults: vec![fault(FaultKind::FlippedBits, 20.0, 0, 1.0)],
        commands: vec![(19.5, mark("inverter on"))],
        length: at_seconds(40.0),
        source: "recorded practice: Field, the inverter disturbs the data line beside its leads".to_owned(),
    }
}

fn scene(pair: Pair, seed: u64, acts: &[(f64, Act)]) -> Scene {
    Scene { steps: script(acts), ..pair.scene(seed) }
}

fn fault(kind: FaultKind, seconds: f64, place: u16, severity: f64) -> Fault {
    Fault { kind, at: at_seconds(seconds), place, severity }
}

fn mark(text: &str) -> Command {
    Command::Mark { text: text.to_owned() }
}

impl Recipe {
    /// The head of the recording.
    pub fn header(&self) -> SessionHeader {
        SessionHeader {
            protocol_text: crate::text(self.pair.protocol),
            pack_text: crate::text(self.pair.pack),
            source: self.source.clone(),
            practice: true,
            times: Times::Measured,
            started_utc_nanos: None,
            tool_version: concat!("packwake ", env!("CARGO_PKG_VERSION"), ", make_recordings").to_owned(),
            host: String::new(),
        }
    }

    /// What a person fills in, from the recipe, before the recording is judged. As it stands it fits no verdict.
    pub fn expectation_template(&self) -> String {
        let (cells, sensors) = (self.scene.pack.series, self.scene.pack.sensors);
        let faults = self.faults.iter().map(|fault| {
            let places: Vec<String> = fault.channels(cells, sensors).iter().map(ToString::to_string).collect();
            let places = if places.is_empty() { "the pack".to_owned() } else { places.join(", ") };
            let (kind, about, seconds) = (fault.kind, fault.kind.about(), fault.at.nanos as f64 / 1e9);
            format!("# {kind} from {seconds} s on, severity {}, at {places}: {about}\n", fault.severity)
        });
        let faults: String = faults.collect();
        format!(
            "# To be written by hand from the recipe before the recording is judged.\n{faults}\
             outcome = \"\"\ncovers = []\nfailed = []\nfound = []\nuntested = []\nconclude = \"\"\nwhy = \"\"\"\n\"\"\"\n"
        )
    }

    /// The inputs, numbered as the engine numbers them.
    pub fn inputs(&self) -> Vec<Input> {
        let mut inputs = through_adapter(self.pair.protocol, &self.scene, &self.faults, self.length, self.scene.seed);
        let done =
            |(seconds, command): &(f64, Command)| Input::new(at_seconds(*seconds), InputKind::Command(command.clone()));
        inputs.extend(self.commands.iter().map(done));
        // The end is the last of its time: the sort keeps the order of what has the same time.
        inputs.sort_by_key(|input| (input.at, input.kind == InputKind::End));
        for (number, input) in (0..).zip(&mut inputs) {
            input.number = number;
        }
        inputs
    }
}
