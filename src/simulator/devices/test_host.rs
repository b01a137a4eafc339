//! A host of a simulated device, with its own clock: raw bytes out, raw bytes in.

use super::DeviceKind;
use crate::clock::UtcMicros;
use crate::simulator::faults::{FaultKind, FaultRule};
use crate::simulator::scenes::playback::Playback;
use crate::simulator::settings::Settings;
use crate::simulator::simulated_station::SimulatedStation;
use crate::simulator::truth::TruthLog;
use crate::simulator::wire::Wire;
use crate::spectrum::Spectrum;

pub const START: UtcMicros = UtcMicros(1_782_036_000_000_000);

pub struct Host {
    pub device: Box<dyn Wire>,
    pub now: UtcMicros,
    pub truth: TruthLog,
}

impl Host {
    /// A device in steady light, with rules of faults.
    pub fn with(kind: DeviceKind, tcp: bool, faults: Vec<FaultRule>, change: impl FnOnce(&mut Settings)) -> Self {
        let mut settings = kind.settings().unwrap();
        settings.warm_up.minutes = 0.0;
        settings.ambient.amplitude_k = 0.0;
        settings.fault = faults;
        change(&mut settings);
        let spectrum = Spectrum { wavelength_nm: vec![200.0, 1200.0], irradiance: vec![0.1, 0.1] };
        let scene = Box::new(Playback::new(&spectrum, SimulatedStation::grid_of(&settings)));
        let mut station = SimulatedStation::with_scene(&settings, START, scene).unwrap();
        let truth = TruthLog::in_memory();
        station.truth = truth.clone();
        Self { device: kind.build(station, tcp), now: START, truth }
    }

    pub fn new(kind: DeviceKind) -> Self {
        Self::with(kind, false, Vec::new(), |_| ())
    }

    pub fn faulty(kind: DeviceKind, fault: FaultKind, reads: &[u64]) -> Self {
        Self::with(kind, false, vec![FaultRule::at(fault, reads)], |_| ())
    }

    /// Everything that has arrived after `seconds` more.
    pub fn listen(&mut self, seconds: f64) -> Vec<u8> {
        self.now = self.now.plus_seconds(seconds);
        let mut out = Vec::new();
        self.device.transmit(self.now, (1, usize::MAX), &mut out);
        out
    }

    /// Sends bytes and listens for `seconds`.
    pub fn ask(&mut self, bytes: &[u8], seconds: f64) -> Vec<u8> {
        self.device.receive(bytes, self.now);
        self.listen(seconds)
    }
}
