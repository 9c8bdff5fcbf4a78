//! The cells: open-circuit voltage, resistance, relaxation and heat.

use crate::noise::Noise;
use crate::power_up::STEP;

/// Which open-circuit voltage curve the cells follow.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Curve {
    /// NMC532 against graphite.
    Nmc,
    /// Iron phosphate against graphite, with its plateau.
    Lfp,
}

/// State of charge in percent of the points of both tables.
const CHARGE: [f64; 13] = [0.0, 5.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 95.0, 100.0];
/// Volts. Parameter set Mohtat2020 of PyBaMM 26.10.1.1 (BSD-3-Clause): equilibrium full-cell voltage, a model fit.
const NMC: [f64; 13] =
    [2.8000, 3.4620, 3.5107, 3.5847, 3.6389, 3.6710, 3.7155, 3.7968, 3.8797, 3.9705, 4.0767, 4.1360, 4.2000];
/// Volts. Parameter set Prada2013 of PyBaMM 26.10.1.1 (BSD-3-Clause), after Prada et al.,
/// J. Electrochem. Soc. 160 (2013) A616: equilibrium full-cell voltage, a model fit.
const LFP: [f64; 13] =
    [2.0000, 2.7853, 2.9781, 3.1685, 3.2058, 3.2525, 3.2660, 3.2688, 3.2740, 3.3097, 3.3142, 3.3164, 3.6000];

impl Curve {
    /// Volts of a rested cell at a share of charge from 0 to 1, piecewise linear; outside, the end's value.
    pub fn volts(self, charge: f64) -> f64 {
        let table = match self {
            Self::Nmc => &NMC,
            Self::Lfp => &LFP,
        };
        let percent = charge.clamp(0.0, 1.0) * 100.0;
        let points = CHARGE.iter().zip(table).zip(CHARGE.iter().zip(table).skip(1));
        for ((from, low), (to, high)) in points {
            if percent <= *to {
                return low + (high - low) * (percent - from) / (to - from);
            }
        }
        table.last().copied().unwrap_or(0.0)
    }
}

/// What the pack is made of. The defaults are the practice pack's own: common practice, no source.
#[derive(Clone, PartialEq, Debug)]
pub struct PackSettings {
    /// The cells' curve.
    pub curve: Curve,
    /// Cells (parallel groups) in series, at least one.
    pub series: u16,
    /// Capacity of one group in ampere-hours.
    pub ampere_hours: f64,
    /// Share of charge at the beginning, 0 to 1.
    pub charge: f64,
    /// Each cell's charge differs by up to this share, up or down.
    pub charge_spread: f64,
    /// The part of a cell's resistance that acts at once, in ohm.
    pub ohm: f64,
    /// The part of a cell's resistance that comes up slowly, in ohm.
    pub slow_ohm: f64,
    /// The time constant of the slow part, in seconds.
    pub slow_seconds: f64,
    /// Each cell's resistances differ by up to this share, up or down.
    pub ohm_spread: f64,
    /// Leads and connectors between the cells and the point where the pack voltage is measured, in ohm.
    pub connector_ohm: f64,
    /// Leads and connectors from there to the bus, in ohm.
    pub bus_lead_ohm: f64,
    /// Heat capacity of one group in joule per kelvin.
    pub joule_per_kelvin: f64,
    /// From one group to the air, in kelvin per watt.
    pub kelvin_per_watt: f64,
    /// The air, in degrees Celsius.
    pub ambient_celsius: f64,
    /// Temperature sensors, spread evenly over the cells.
    pub sensors: u16,
    /// What the BMS itself draws, past the current sensor, in ampere.
    pub own_amperes: f64,
    /// The seed of how its cells differ, instead of the scene's: the same pack on another day.
    pub seed: Option<u64>,
}

impl Default for PackSettings {
    fn default() -> Self {
        Self {
            curve: Curve::Nmc,
            series: 24,
            ampere_hours: 44.0,
            charge: 0.64,
            charge_spread: 0.002,
            ohm: 1.1e-3,
            slow_ohm: 0.4e-3,
            slow_seconds: 8.0,
            ohm_spread: 0.04,
            connector_ohm: 0.4e-3,
            bus_lead_ohm: 0.3e-3,
            joule_per_kelvin: 900.0,
            kelvin_per_watt: 4.0,
            ambient_celsius: 21.0,
            sensors: 6,
            own_amperes: 0.02,
            seed: None,
        }
    }
}

/// The pack as it is now.
#[derive(Clone, Debug)]
pub struct Pack {
    settings: PackSettings,
    cells: Vec<Cell>,
    slow_left: f64,
    heat_left: f64,
    bus_amperes: f64,
    /// Cells in series that no input of the BMS reads, each as the mean of the others.
    unread: u16,
}

#[derive(Clone, Debug)]
struct Cell {
    charge: f64,
    ohm: f64,
    slow_ohm: f64,
    slow_volts: f64,
    rested_volts: f64,
    volts: f64,
    celsius: f64,
    /// What drains it past the current sensor, in ampere.
    leak_amperes: f64,
    /// What heats it besides its own losses, in watts.
    extra_watts: f64,
    /// There is no cell at this input: it reads nothing.
    absent: bool,
}

/// Channels of chance, apart from those of the BMS.
const CHARGE_CHANCE: u64 = 1;
const OHM_CHANCE: u64 = 2;

impl Pack {
    /// A rested pack whose cells differ as the seed says.
    pub fn new(settings: PackSettings, seed: u64) -> Self {
        let noise = Noise::new(settings.seed.unwrap_or(seed));
        let cells = (0..u64::from(settings.series.max(1)))
            .map(|index| {
                let charge = settings.charge + settings.charge_spread * noise.spread(CHARGE_CHANCE, index);
                let more = 1.0 + settings.ohm_spread * noise.spread(OHM_CHANCE, index);
                let rested_volts = settings.curve.volts(charge);
                Cell {
                    charge: charge.clamp(0.0, 1.0),
                    ohm: settings.ohm * more,
                    slow_ohm: settings.slow_ohm * more,
                    slow_volts: 0.0,
                    rested_volts,
                    volts: rested_volts,
                    celsius: settings.ambient_celsius,
                    leak_amperes: 0.0,
                    extra_watts: 0.0,
                    absent: false,
                }
            })
            .collect();
        let left = |seconds: f64| if 0.0 < seconds { (-STEP.as_secs_f64() / seconds).exp() } else { 0.0 };
        let slow_left = left(settings.slow_seconds);
        let heat_left = left(settings.joule_per_kelvin * settings.kelvin_per_watt);
        Self { settings, cells, slow_left, heat_left, bus_amperes: 0.0, unread: 0 }
    }

    /// Cells in series.
    pub fn series(&self) -> u16 {
        u16::try_from(self.cells.len()).unwrap_or(u16::MAX)
    }

    /// Capacity of one group in ampere-hours.
    pub(crate) fn ampere_hours(&self) -> f64 {
        self.settings.ampere_hours
    }

    /// Temperature sensors.
    pub(crate) fn sensors(&self) -> u16 {
        self.settings.sensors
    }

    /// Volts at the terminals of the cell at `place`, from 1; 0 outside.
    pub fn cell_volts(&self, place: u16) -> f64 {
        self.cell(place).map_or(0.0, |cell| cell.volts)
    }

    /// Volts of the whole pack behind its leads and connectors.
    pub fn volts(&self) -> f64 {
        self.in_series(|cell| cell.volts) - self.bus_amperes * self.settings.connector_ohm
    }

    /// The mean current to the bus over the last step, discharge positive.
    pub fn amperes(&self) -> f64 {
        self.bus_amperes
    }

    /// Temperature at the sensor at `place`, from 1; `None` outside.
    pub fn sensor_celsius(&self, place: u16) -> Option<f64> {
        self.cell(self.cell_at_sensor(place)?).map(|cell| cell.celsius)
    }

    /// The place of the cell at a sensor.
    fn cell_at_sensor(&self, place: u16) -> Option<u16> {
        let sensors = u32::from(self.settings.sensors);
        let index = u32::from(place).checked_sub(1).filter(|index| *index < sensors)?;
        u16::try_from(1 + index * u32::from(self.series()) / sensors).ok()
    }

    /// The mean share of charge, 0 to 1.
    pub fn charge(&self) -> f64 {
        self.cells.iter().map(|cell| cell.charge).sum::<f64>() / self.cells.len() as f64
    }

    /// The voltage of the source that stands behind [`Pack::source_ohm`].
    pub(crate) fn source_volts(&self) -> f64 {
        self.in_series(|cell| cell.rested_volts - cell.slow_volts)
    }

    /// All that acts at once between the source and the point where the pack voltage is measured.
    pub(crate) fn source_ohm(&self) -> f64 {
        self.in_series(|cell| cell.ohm) + self.settings.connector_ohm
    }

    /// From there to the bus.
    pub(crate) fn bus_lead_ohm(&self) -> f64 {
        self.settings.bus_lead_ohm
    }

    /// The sum over all cells, those that nothing reads too.
    fn in_series(&self, value: impl Fn(&Cell) -> f64) -> f64 {
        let sum: f64 = self.cells.iter().map(value).sum();
        sum + sum * f64::from(self.unread) / self.cells.len() as f64
    }

    /// Moves time on by one step in which `bus_amperes` flow: exact, but that the open-circuit voltage is the end's.
    pub(crate) fn advance(&mut self, bus_amperes: f64) {
        let settings = &self.settings;
        let amperes = bus_amperes + settings.own_amperes;
        let share_per_ampere = STEP.as_secs_f64() / (settings.ampere_hours * 3600.0).max(1e-9);
        for cell in self.cells.iter_mut().filter(|cell| !cell.absent) {
            cell.charge = (cell.charge - (amperes + cell.leak_amperes) * share_per_ampere).clamp(0.0, 1.0);
            cell.rested_volts = settings.curve.volts(cell.charge);
            let settled = amperes * cell.slow_ohm;
            cell.slow_volts = settled + (cell.slow_volts - settled) * self.slow_left;
            cell.volts = cell.rested_volts - cell.slow_volts - amperes * cell.ohm;
            let watts = amperes * (amperes * cell.ohm + cell.slow_volts) + cell.extra_watts;
            let warm = settings.ambient_celsius + watts * settings.kelvin_per_watt;
            cell.celsius = warm + (cell.celsius - warm) * self.heat_left;
        }
        self.bus_amperes = bus_amperes;
    }

    /// Takes a share of charge out of one cell; a negative share puts it in.
    pub(crate) fn take_charge(&mut self, place: u16, share: f64) {
        let curve = self.settings.curve;
        if let Some(cell) = self.cell_mut(place).filter(|cell| !cell.absent) {
            let before = cell.rested_volts;
            cell.charge = (cell.charge - share).clamp(0.0, 1.0);
            cell.rested_volts = curve.volts(cell.charge);
            cell.volts += cell.rested_volts - before;
        }
    }

    /// Multiplies both resistances of one cell.
    pub(crate) fn weaken(&mut self, place: u16, factor: f64) {
        if let Some(cell) = self.cell_mut(place) {
            cell.ohm *= factor;
            cell.slow_ohm *= factor;
        }
    }

    /// Puts resistance into the link between a cell and the next module: it reads as the cell's own, the part that acts
    /// at once. `share` of the cell's whole resistance; the heat is the link's.
    pub(crate) fn add_link(&mut self, place: u16, share: f64) {
        let ohm = share * (self.settings.ohm + self.settings.slow_ohm);
        if let Some(cell) = self.cell_mut(place) {
            cell.ohm += ohm;
        }
    }

    /// Puts resistance into the main path before the point where the pack voltage is measured.
    pub(crate) fn add_connector_ohm(&mut self, ohm: f64) {
        self.settings.connector_ohm += ohm;
    }

    /// Puts resistance into the main path behind that point.
    pub(crate) fn add_bus_lead_ohm(&mut self, ohm: f64) {
        self.settings.bus_lead_ohm += ohm;
    }

    /// Drains one cell past the current sensor from now on, outside of the cell: it does not get warm by it.
    pub(crate) fn leak(&mut self, place: u16, share_of_capacity_per_hour: f64) {
        let amperes = share_of_capacity_per_hour * self.settings.ampere_hours;
        if let Some(cell) = self.cell_mut(place) {
            cell.leak_amperes += amperes;
        }
    }

    /// Heats the cell at a sensor from now on, so much that it begins to rise at this rate.
    pub(crate) fn heat(&mut self, sensor: u16, celsius_per_minute: f64) {
        let watts = celsius_per_minute / 60.0 * self.settings.joule_per_kelvin;
        if let Some(cell) = self.cell_at_sensor(sensor).and_then(|place| self.cell_mut(place)) {
            cell.extra_watts += watts;
        }
    }

    /// Leaves the last inputs of the BMS without cells.
    pub(crate) fn leave_out_last(&mut self, count: u16) {
        let kept = self.cells.len().saturating_sub(usize::from(count)).max(1);
        for cell in self.cells.iter_mut().skip(kept) {
            *cell = Cell {
                absent: true,
                charge: cell.charge,
                celsius: cell.celsius,
                ohm: 0.0,
                slow_ohm: 0.0,
                slow_volts: 0.0,
                rested_volts: 0.0,
                volts: 0.0,
                leak_amperes: 0.0,
                extra_watts: 0.0,
            };
        }
    }

    /// Puts cells in series that no input of the BMS reads.
    pub(crate) fn add_unread(&mut self, count: u16) {
        self.unread = self.unread.saturating_add(count);
    }

    fn cell(&self, place: u16) -> Option<&Cell> {
        self.cells.get(usize::from(place).checked_sub(1)?)
    }

    fn cell_mut(&mut self, place: u16) -> Option<&mut Cell> {
        self.cells.get_mut(usize::from(place).checked_sub(1)?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Alike cells with a curve that is flat enough not to matter, and no own consumption.
    fn alike() -> PackSettings {
        PackSettings {
            ampere_hours: 1e9,
            charge_spread: 0.0,
            ohm_spread: 0.0,
            own_amperes: 0.0,
            ..PackSettings::default()
        }
    }

    fn run(pack: &mut Pack, seconds: f64, amperes: f64) {
        for _ in 0..(seconds / STEP.as_secs_f64()).round() as u32 {
            pack.advance(amperes);
        }
    }

    #[test]
    fn the_curves_go_through_their_tables() {
        for (curve, charge, volts) in [
            (Curve::Nmc, 0.0, 2.8),
            (Curve::Nmc, 0.6, 3.7968),
            (Curve::Nmc, 0.65, (3.7968 + 3.8797) / 2.0),
            (Curve::Nmc, 1.0, 4.2),
            (Curve::Lfp, 0.5, 3.2660),
            (Curve::Lfp, 0.55, (3.2660 + 3.2688) / 2.0),
            (Curve::Lfp, 2.0, 3.6),
            (Curve::Lfp, -1.0, 2.0),
        ] {
            assert!((curve.volts(charge) - volts).abs() < 1e-9, "{curve:?} {charge}: {}", curve.volts(charge));
        }
    }

    #[test]
    fn five_points_of_charge_show_on_nmc_and_not_on_lfp() {
        // The full tables give 42.2 mV (another NMC cell) and 1.06 mV around 55..60 %; straight lines are near that.
        let step = |curve: Curve| (curve.volts(0.60) - curve.volts(0.55)) * 1e3;
        assert!((35.0..50.0).contains(&step(Curve::Nmc)), "{}", step(Curve::Nmc));
        assert!((0.5..2.0).contains(&step(Curve::Lfp)), "{}", step(Curve::Lfp));
    }

    #[test]
    fn the_sag_at_a_step_is_current_times_resistance() {
        let mut pack = Pack::new(alike(), 1);
        let before = pack.cell_volts(1);
        pack.advance(40.0);
        let sag = before - pack.cell_volts(1);
        // 40 A x 1.1 mohm = 44 mV at once, and in 10 ms 0.125 % of 40 A x 0.4 mohm.
        assert!((sag - 0.044).abs() < 0.03e-3, "{sag}");
    }

    #[test]
    fn relaxation_has_its_time_constant() {
        let mut pack = Pack::new(alike(), 1);
        let rested = pack.cell_volts(1);
        run(&mut pack, 80.0, 40.0);
        run(&mut pack, 8.0, 0.0);
        // After one time constant exp(-1) of 40 A x 0.4 mohm = 16 mV is left (full to exp(-10)).
        let left = rested - pack.cell_volts(1);
        assert!((left - 0.016 * (-1.0_f64).exp()).abs() < 2e-6, "{left}");
    }

    #[test]
    fn charge_is_counted() {
        let settings = PackSettings { ampere_hours: 44.0, charge: 0.9, ..alike() };
        let mut pack = Pack::new(settings, 1);
        run(&mut pack, 360.0, 44.0);
        assert!((pack.charge() - 0.8).abs() < 1e-9, "{}", pack.charge());
    }

    #[test]
    fn heat_follows_the_first_order_answer() {
        let mut pack = Pack::new(PackSettings { joule_per_kelvin: 10.0, slow_ohm: 0.0, ..alike() }, 1);
        // 100 A in 1.1 mohm is 11 W; 4 K/W makes 44 K, with a time constant of 40 s.
        run(&mut pack, 40.0, 100.0);
        let rise = pack.sensor_celsius(1).unwrap() - 21.0;
        assert!((rise - 44.0 * (1.0 - (-1.0_f64).exp())).abs() < 1e-6, "{rise}");
        assert_eq!(pack.sensor_celsius(0), None);
        assert_eq!(pack.sensor_celsius(7), None);
    }

    #[test]
    fn connectors_take_their_share_of_the_pack_voltage() {
        let mut pack = Pack::new(alike(), 1);
        pack.advance(40.0);
        let sum: f64 = (1..=24).map(|place| pack.cell_volts(place)).sum();
        assert!((sum - pack.volts() - 40.0 * 0.4e-3).abs() < 1e-9);
    }

    #[test]
    fn cells_differ_by_their_seed_and_stay_inside_the_spread() {
        let pack = Pack::new(PackSettings::default(), 1);
        let other = Pack::new(PackSettings::default(), 2);
        let volts: Vec<f64> = (1..=24).map(|place| pack.cell_volts(place)).collect();
        assert!((1..=24).any(|place| (other.cell_volts(place) - pack.cell_volts(place)).abs() > 1e-4));
        let (low, high) = volts.iter().fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(*v), high.max(*v)));
        assert!(0.001 < high - low && high - low < 0.004, "{}", high - low);
    }
}
