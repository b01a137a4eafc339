//! `check --live`: connects each instrument once and compares it with its calibrations.
//!
//! Takes one exposure with the shortest integration time and a step of the integration time, stores nothing, and closes the line.
//! Invariant: an instrument passes only if its serial number is that of its calibrations, their wavelength scale rises over all of its
//! pixels, and as many frames are discarded as it is behind its settings.

use crate::calibration::CalibrationSet;
use crate::cli::Failure;
use crate::clock::{Clock, RealClock, Stop};
use crate::config::Setup;
use crate::dialect::SerialSettings;
use crate::instrument::{Session, link_to};
use crate::record::Shutter;
use std::sync::Arc;

/// Answers of an instrument.
#[derive(Debug, PartialEq, serde::Serialize)]
pub struct Connected {
    /// Its name in the configuration.
    pub instrument: String,
    /// Maker, model, serial number, firmware.
    pub identity: [String; 4],
    /// Number of pixels.
    pub pixels: usize,
    /// Full-scale reading [counts].
    pub full_scale: u32,
    /// Whether it has a shutter.
    pub shutter: bool,
    /// Shortest and longest integration time [s].
    pub integration_s: (f64, f64),
    /// Wavelengths of the first and the last pixel by the last calibration of the set [nm].
    pub scale_nm: (f64, f64),
    /// Detector temperature [°C]; `None` without a sensor.
    pub temperature_c: Option<f64>,
    /// Highest count of one exposure with the shortest integration time [counts].
    pub highest_count: u32,
    /// Frames that come with earlier settings after a change of the integration time; `None` where no light shows the change.
    pub lag_frames: Option<u32>,
}

/// Connects every instrument of a setup; all failures are reported together. `trace` shows every exchange on stderr.
pub fn connect_all(setup: &Setup, trace: bool) -> Result<Vec<Connected>, Failure> {
    let clock: Arc<dyn Clock> = Arc::new(RealClock::new());
    let mut connected = Vec::new();
    let mut failures = Vec::new();
    for (instrument, set) in setup.config.instruments.iter().zip(&setup.calibrations) {
        let stop = Stop::new();
        let settings = SerialSettings { baud: instrument.baud, ..instrument.dialect.serial };
        let link = link_to(&instrument.link, settings, Arc::clone(&clock), stop.clone());
        let mut session = Session::new(link, Arc::clone(&clock), stop, instrument.baud, &instrument.dialect);
        if trace {
            session.trace(Box::new(|exchanged| eprint!("{exchanged}")));
        }
        match connect(&instrument.name, &mut session, set, instrument.exposure.discard_frames) {
            Ok(answers) => connected.push(answers),
            Err(failure) => failures.push(failure),
        }
        session.disconnect();
    }
    if failures.is_empty() {
        return Ok(connected);
    }
    let text = failures.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n");
    let mismatch = failures.iter().any(|f| matches!(f, Failure::Usage(_)));
    Err(if mismatch { Failure::Usage(text) } else { Failure::Failed(text) })
}

/// Connects one instrument. No answer is a failure; another instrument than that of the calibrations is invalid input, and so is a number
/// of frames to discard that is too small.
fn connect(name: &str, session: &mut Session, set: &CalibrationSet, discard_frames: u32) -> Result<Connected, Failure> {
    let failed = |fault| Failure::from_error(name, &fault);
    let (identity, detector) = session.connect().map_err(failed)?;
    let expected = set.serial().unwrap_or_default();
    if identity.serial != expected {
        let found = &identity.serial;
        return Err(Failure::Usage(format!(
            "{name}: expected the instrument of the calibrations, serial number `{expected}`, but found `{found}`"
        )));
    }
    let pixels = u32::try_from(detector.pixels).unwrap_or(u32::MAX);
    let mut scale_nm = (f64::NAN, f64::NAN);
    for (path, calibration) in set.entries() {
        let scale = &calibration.wavelength;
        if let Some(pixel) = scale.first_fall(pixels) {
            return Err(Failure::Usage(format!(
                "{}: wavelength.coefficients: expected wavelengths that rise over the {pixels} pixels of {name}, but found a \
                 fall at pixel {pixel}",
                path.display()
            )));
        }
        scale_nm = (scale.at(0.0), scale.at(f64::from(pixels) - 1.0));
    }
    let exposure = session.expose(detector.integration_min_s, Shutter::Open).map_err(failed)?;
    let lag_frames = session.measure_lag().map_err(failed)?;
    if let Some(frames) = lag_frames.filter(|frames| *frames > discard_frames) {
        return Err(Failure::Usage(format!(
            "{name}: exposure.discard_frames: expected at least {frames}, because {frames} frames after a change of the integration time \
             come with earlier settings, but found {discard_frames}"
        )));
    }
    Ok(Connected {
        instrument: name.to_owned(),
        identity: [identity.maker, identity.model, identity.serial, identity.firmware],
        pixels: detector.pixels,
        full_scale: detector.full_scale,
        shutter: detector.has_shutter,
        integration_s: (detector.integration_min_s, detector.integration_max_s),
        scale_nm,
        temperature_c: exposure.temperature_c,
        highest_count: exposure.counts.iter().copied().max().unwrap_or_default(),
        lag_frames,
    })
}

impl Connected {
    /// As text.
    pub fn text(&self) -> String {
        let temperature = self.temperature_c.map_or_else(|| "no temperature sensor".into(), |t| format!("{t:.1} °C"));
        let lag = match self.lag_frames {
            Some(frames) => format!("frames with earlier settings after a change of the integration time: {frames}"),
            None => "frames with earlier settings: not known, because no light shows a change of the integration time"
                .into(),
        };
        format!(
            "\nanswered     {}: {}\n             {} pixels, {:.1} nm to {:.1} nm, full scale {} counts, {}, {} s to {} s\n             \
             one exposure of {} s: highest count {}, detector {temperature}\n             {lag}\n",
            self.instrument,
            self.identity.join(", "),
            self.pixels,
            self.scale_nm.0,
            self.scale_nm.1,
            self.full_scale,
            if self.shutter { "shutter" } else { "no shutter" },
            self.integration_s.0,
            self.integration_s.1,
            self.integration_s.0,
            self.highest_count
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::file;
    use crate::clock::{SteppedClock, UtcMicros};
    use crate::instrument::SCPI;
    use crate::simulator::certificate::certificate;
    use crate::simulator::faults::{FaultKind, FaultRule};
    use crate::simulator::inprocess;
    use crate::simulator::settings::Settings;
    use crate::simulator::simulated_station::SimulatedStation;
    use std::path::{Path, PathBuf};

    fn connected(change: impl Fn(&mut crate::calibration::Calibration)) -> Result<Connected, Failure> {
        connected_with(Settings::default(), 0, change)
    }

    fn connected_with(
        settings: Settings,
        discard_frames: u32,
        change: impl Fn(&mut crate::calibration::Calibration),
    ) -> Result<Connected, Failure> {
        let clock = Arc::new(SteppedClock::new(UtcMicros::parse("2026-06-21T12:00:00Z").unwrap()));
        let station = SimulatedStation::new(&settings, clock.now()).unwrap();
        let mut calibration = file::parse(Path::new("c.toml"), &certificate(&settings).unwrap()).unwrap();
        change(&mut calibration);
        let set = CalibrationSet::new(vec![(PathBuf::from("c.toml"), calibration)]).unwrap();
        let (link, _) = inprocess::connect(station, Arc::clone(&clock));
        let mut session = Session::new(Box::new(link), clock, Stop::new(), settings.baud, &SCPI);
        connect("south", &mut session, &set, discard_frames)
    }

    #[test]
    fn the_virtual_spectrometer_passes_with_its_certificate() {
        let found = connected(|_| ()).unwrap();
        assert_eq!((found.pixels, found.full_scale, found.shutter), (2048, 65_535, true));
        assert_eq!(found.identity[2], "VB-0001");
        // Lit pixels cover 280 to 1050 nm; the scale extends over the shielded pixels beside them.
        assert!((found.scale_nm.0 - 280.0).abs() < 5.0 && (found.scale_nm.1 - 1050.0).abs() < 5.0, "{found:?}");
        assert!(found.temperature_c.is_some() && found.highest_count > 500, "{found:?}");
    }

    #[test]
    fn too_few_frames_to_discard_are_refused() {
        for lag in [1, 2, 4] {
            let lagging = || Settings {
                fault: vec![FaultRule { count: lag, ..FaultRule::between(FaultKind::FrameLag, None, None) }],
                ..Settings::default()
            };
            let Err(Failure::Usage(text)) = connected_with(lagging(), lag - 1, |_| ()) else { panic!("accepted") };
            let expected = format!("south: exposure.discard_frames: expected at least {lag}, because {lag} frames");
            assert!(text.starts_with(&expected) && text.ends_with(&format!("found {}", lag - 1)), "{text}");
            assert_eq!(connected_with(lagging(), lag, |_| ()).unwrap().lag_frames, Some(lag));
        }
        // In the dark the signal of the detector shows the step.
        let mut night = Settings::default();
        night.scene.kind = crate::simulator::scenes::SceneKind::Lamp;
        night.scene.lamp_lux = 0.0;
        assert_eq!(connected_with(night, 0, |_| ()).unwrap().lag_frames, Some(0));
    }

    #[test]
    fn an_instrument_that_does_not_fit_its_calibration_is_refused() {
        assert_eq!(
            connected(|c| c.instrument_serial = "VB-0002".into()),
            Err(Failure::Usage(
                "south: expected the instrument of the calibrations, serial number `VB-0002`, but found `VB-0001`"
                    .into()
            ))
        );
        assert_eq!(
            connected(|c| c.wavelength.coefficients = vec![280.0, 1.0, -0.000_5]),
            Err(Failure::Usage(
                "c.toml: wavelength.coefficients: expected wavelengths that rise over the 2048 pixels of south, but found a \
                 fall at pixel 1001"
                    .into()
            ))
        );
    }
}
