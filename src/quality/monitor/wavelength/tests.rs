use super::*;

const HOUR_S: f64 = 3600.0;

fn axis() -> Vec<f64> {
    (0..1250).map(|i| 340.0 + 0.36 * f64::from(i)).collect()
}

/// Daylight with lines that differ slightly from the table, on a scale with an error of `shift` [nm] by wavelength, with reproducible
/// uniform noise.
fn daylight(reference: &Reference, nm: &[f64], shift: impl Fn(f64) -> f64, index: u32) -> Vec<f64> {
    let even = |i: usize, k: u32| {
        let x = (i as u64 * 2_654_435_761 + u64::from(k) * 40_503).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        (x >> 40) as f64 / f64::from(1u32 << 24) - 0.5
    };
    let light = |i: usize| {
        let at = nm[i] + shift(nm[i]);
        let lines = reference.at(at).map_or(0.0, |l| l.sun.0 + 1.2 * l.air.0);
        // Errors of the table depend on the wavelength, noise on the sample.
        let wrong = 0.01 * (at * 2.1).sin() + 0.01 * (at * 0.9).cos();
        (lines + wrong + 0.008 * even(i, index)).exp()
    };
    (0..nm.len()).map(light).collect()
}

struct Station {
    reference_spectrum: ReferenceSpectrum,
    reference: Reference,
    drift: WavelengthDrift,
    limits: Limits,
    hour: f64,
    /// Change of the shift over 100 nm [nm].
    stretch: f64,
}

impl Station {
    fn new(apply: bool) -> Self {
        let reference = Reference::new(2.0).unwrap();
        let mut drift = WavelengthDrift::default();
        assert_eq!(drift.set_calibration("first", UtcMicros(0)), (true, None));
        let reference_spectrum = ReferenceSpectrum::Daylight(Box::new(reference.clone()));
        Self { reference_spectrum, reference, drift, limits: Limits { shift_nm: 0.1, apply }, hour: 0.0, stretch: 0.0 }
    }

    /// Six spectra per hour, for some hours; returns the transitions with their hours.
    fn run(&mut self, hours: f64, shift: f64) -> Vec<(f64, Transition)> {
        let (nm, end) = (axis(), self.hour + hours);
        let mut transitions = Vec::new();
        while self.hour < end - 1e-6 {
            self.hour += 1.0 / 6.0;
            let nm: Vec<f64> = nm.iter().map(|x| x + self.drift.applied_nm).collect();
            let off = shift - self.drift.applied_nm;
            let shift = |nm: f64| off + self.stretch * (nm - 560.0) / 100.0;
            let irradiance = daylight(&self.reference, &nm, shift, (self.hour * 6.0).round() as u32);
            let variance: Vec<f64> = irradiance.iter().map(|e| (e / 400.0).powi(2)).collect();
            let spectrum = Spectrum {
                time: UtcMicros(0).plus_seconds(self.hour * HOUR_S),
                wavelength_nm: &nm,
                irradiance: &irradiance,
                variance: &variance,
                usable: &vec![true; nm.len()],
            };
            transitions
                .extend(self.drift.observe(&self.reference_spectrum, &spectrum, &self.limits).map(|t| (self.hour, t)));
        }
        transitions
    }
}

/// Readings are flagged from the last spectrum within the limit on. Errors of the table are no drift.
#[test]
fn a_sudden_shift_is_detected_by_the_third_spectrum() {
    let mut station = Station::new(false);
    assert_eq!(station.run(24.0, 0.03), []);
    assert!(station.drift.baseline_done);
    assert_eq!(station.run(6.0, 0.03), []);
    let (now, u) = station.drift.shift().unwrap();
    assert!(now.abs() < 0.01 && u < 0.013, "{now} {u}");
    let last_good = station.hour;
    let transitions = station.run(2.0, 0.03 + 0.2);
    assert_eq!(transitions.len(), 1, "{transitions:?}");
    let (hour, Transition::Exceeded(from)) = transitions[0] else { panic!("{transitions:?}") };
    assert!(hour - last_good < 1.0, "found after {} h", hour - last_good);
    assert_eq!(from, UtcMicros(UtcMicros(0).plus_seconds(last_good * HOUR_S).0 + 1));
    let (now, _) = station.drift.shift().unwrap();
    assert!((now - 0.2).abs() < 0.02, "{now}");
    assert!(station.drift.significant_stretch().is_none(), "{:?}", station.drift.stretch);
    let transitions = station.run(2.0, 0.03);
    assert!(matches!(transitions[..], [(_, Transition::Cleared(_))]), "{transitions:?}");
}

/// Identity: the slope is recovered; a constant shift has none.
#[test]
fn a_stretched_scale_is_reported_as_a_slope_of_the_shift() {
    let mut station = Station::new(false);
    station.run(26.0, 0.0);
    station.run(1.0, 0.15);
    assert!(station.drift.significant_stretch().is_none(), "{:?}", station.drift.stretch);
    for stretch in [0.1, -0.06] {
        station.stretch = stretch;
        station.run(1.0, 0.0);
        let (slope, u) = station.drift.significant_stretch().unwrap();
        assert!((slope - stretch).abs() < 0.02 && u < 0.02, "want {stretch}, got {slope} ± {u} nm over 100 nm");
    }
}

/// Where it exceeds the errors of the table.
#[test]
fn an_initial_error_of_the_scale_is_detected_without_a_baseline_and_stays_flagged() {
    let mut station = Station::new(false);
    let transitions = station.run(2.0, 0.4);
    assert!(matches!(transitions[..], [(hour, Transition::Exceeded(UtcMicros(1)))] if hour < 1.0), "{transitions:?}");
    assert_eq!(station.run(30.0, 0.4), []);
    assert!(station.drift.baseline_done && (station.drift.initial_offset_nm() - 0.4).abs() < 0.05);
    assert!(station.drift.limit_state.exceeded_since.is_some());
}

#[test]
fn applying_a_shift_brings_the_scale_within_its_limit() {
    let mut station = Station::new(true);
    station.run(26.0, 0.0);
    let transitions = station.run(6.0, 0.3);
    assert!(matches!(transitions[..], [(_, Transition::Exceeded(_)), (_, Transition::Cleared(_))]), "{transitions:?}");
    assert!((station.drift.applied_nm - 0.3).abs() < 0.025, "{}", station.drift.applied_nm);
}

#[test]
fn another_calibration_restarts_the_monitor_and_the_state_can_be_saved() {
    let mut station = Station::new(false);
    station.run(24.0, 0.0);
    station.run(1.0, 0.3);
    let text = serde_json::to_string(&station.drift).unwrap();
    assert!(text.len() < 2000, "{} bytes a reading", text.len());
    let again: WavelengthDrift = serde_json::from_str(&text).unwrap();
    assert_eq!(again.limit_state, station.drift.limit_state);
    let now = UtcMicros(0).plus_seconds(40.0 * HOUR_S);
    assert_eq!(station.drift.set_calibration("second", now), (true, Some(Transition::Cleared(now))));
    assert_eq!(station.drift.set_calibration("second", now), (false, None));
}
