//! The frame maker of a protocol file.

use std::sync::Arc;

use model::{ColumnLayout, Layout, LineSettings};
use parser::{Encoder, Protocol};

use crate::line::FrameMaker;

/// Makes frames by a checked protocol.
#[derive(Clone, Debug)]
pub struct ByProtocol {
    protocol: Arc<Protocol>,
    encoder: Encoder,
}

impl ByProtocol {
    /// A frame maker for this protocol. A file that does not say how its line is set gets 115200 8N1.
    pub fn new(protocol: Arc<Protocol>) -> Self {
        Self { encoder: Encoder::new(Arc::clone(&protocol)), protocol }
    }
}

impl FrameMaker for ByProtocol {
    fn layout(&self) -> &Layout {
        self.protocol.layout()
    }

    fn line(&self) -> LineSettings {
        self.protocol.line().unwrap_or(LineSettings::new(115_200))
    }

    fn frame(&self, kind: usize, value: &mut dyn FnMut(&ColumnLayout) -> Option<i64>, out: &mut Vec<u8>) {
        self.encoder.frame(kind, value, out);
    }
}

#[cfg(test)]
mod tests {
    use model::{Batch, Item, Quantity, SessionTime};
    use parser::Decoder;

    use super::*;
    use crate::fault::{Fault, FaultKind};
    use crate::line::byte_stream;
    use crate::scene::Scene;
    use crate::testing::{Row, run};

    const FILE: &str = r#"
        protocol = "practice"
        [line]
        baud = 115200
        [[frame]]
        name = "plain"
        start = "AA 55"
        parts = [
          { name = "body", role = "body" },
          { name = "check", type = "u16 le", role = "check", crc = "CRC-16/MODBUS", first = "body", last = "body" },
        ]
        [[message]]
        name = "all"
        frames = ["plain"]
        every = "100 ms"
        parts = [
          { name = "count", type = "u8", channel = "frame counter" },
          { name = "cell", type = "u16 be", times = 24, unit = "mV", channel = "cell voltage", absent = 0xFFFF },
          { name = "temperature", type = "i16 be", times = 6, unit = "degC", scale = 0.1, channel = "temperature", absent = -32768 },
          { name = "pack", type = "u16 be", unit = "V", scale = 0.01, channel = "pack voltage" },
          { name = "current", type = "i32 be", unit = "mA", channel = "current", positive = "charge" },
          { name = "flags", type = "u8", channel = "status", flags = [
            { bit = 0, text = "sense lead open", set = "fault", channel = "sense lead test" },
            { bit = 1, text = "temperature too high", set = "fault" },
          ] },
        ]
    "#;

    fn decoded(scene: &Scene, faults: &[Fault], seconds: u64) -> (Arc<Protocol>, Vec<Batch>) {
        let (protocol, complaints) = Protocol::parse(FILE);
        assert_eq!(complaints, []);
        let protocol = Arc::new(protocol.unwrap());
        let mut decoder = Decoder::new(Arc::clone(&protocol));
        let mut batches = Vec::new();
        // A frame that starts just at the end arrives later.
        let end = SessionTime::from_millis(seconds * 1000 + 50);
        for (at, bytes) in byte_stream(scene, faults, ByProtocol::new(Arc::clone(&protocol)), end) {
            decoder.push(at, &bytes);
            batches.extend(decoder.take());
        }
        (protocol, batches)
    }

    /// Compares each decoded frame with what the BMS was asked to say.
    fn compare(protocol: &Protocol, batches: &[Batch], expected: &[Row]) -> usize {
        let columns = &protocol.layout().kinds[0].columns;
        let mut frames = 0;
        for batch in batches {
            for row in 0..batch.kinds[0].at.len() {
                let want = &expected[frames];
                for (column, values) in columns.iter().zip(&batch.kinds[0].columns) {
                    let got = values.raw(row).and_then(|raw| column.scale.nanos(raw.int()?));
                    let want = want.raw(column.channel.quantity, column.channel.place);
                    match column.channel.quantity {
                        Quantity::FrameCounter | Quantity::Status => {}
                        _ => assert_eq!(got, want, "frame {frames}, {}", column.channel),
                    }
                }
                frames += 1;
            }
        }
        frames
    }

    #[test]
    fn what_a_decoder_gets_is_what_the_bms_measured() {
        let scene = Scene::practice(5);
        for kind in [FaultKind::OpenSenseLead, FaultKind::SensorShort, FaultKind::WeakCell] {
            let faults = [Fault::new(kind), Fault { place: 4, severity: 0.2, ..Fault::new(FaultKind::SensorOpen) }];
            let (protocol, batches) = decoded(&scene, &faults, 20);
            assert_eq!(compare(&protocol, &batches, &run(&scene, &faults, 20)), 201);
            assert!(batches.iter().all(|batch| batch.rejected.is_empty()));
        }
    }

    #[test]
    fn damage_is_rejected_and_the_rest_arrives() {
        let scene = Scene::practice(5);
        for kind in [FaultKind::FlippedBits, FaultKind::LostBytes] {
            let (_, batches) = decoded(&scene, &[Fault::new(kind)], 60);
            let rows = |batch: &Batch| batch.order.iter().filter(|item| matches!(item, Item::Row { .. })).count();
            let good: usize = batches.iter().map(rows).sum();
            // Sound until 6 s, then 0.99^72 = 48.5 % of 541 frames.
            assert!((60 + 200..60 + 290).contains(&good), "{kind}: {good}");
            assert!(batches.iter().any(|batch| !batch.rejected.is_empty()));
        }
    }

    #[test]
    fn the_flag_of_the_self_test_is_set_after_the_lead_opened() {
        let (protocol, batches) = decoded(&Scene::practice(5), &[Fault::new(FaultKind::OpenSenseLeadHeld)], 6);
        let columns = &protocol.layout().kinds[0].columns;
        let status = columns.iter().position(|column| column.channel.quantity == Quantity::Status).unwrap();
        let words: Vec<i128> = batches
            .iter()
            .flat_map(|batch| (0..batch.kinds[0].at.len()).map(|row| batch.kinds[0].columns[status].raw(row)))
            .map(|raw| raw.and_then(model::Raw::int).unwrap())
            .collect();
        // It opens at 3 s and is found 1.2 s later.
        assert_eq!(words.iter().position(|word| *word == 1), Some(42));
        assert!(words[..42].iter().all(|word| *word == 0) && words[42..].iter().all(|word| *word == 1));
    }
}
