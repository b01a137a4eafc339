//! A reading at noon for benchmarks: the default simulator on a clear day, two brackets with matched darks.

use std::path::Path;
use std::sync::Arc;
use vigilux::calibration::{Calibration, file};
use vigilux::clock::UtcMicros;
use vigilux::record::{Detector, Exposure, Frame, PixelRanges, Shutter};
use vigilux::reduction::{BracketInput, DarkFor, DarkModel, FittingDark, ReductionContext, Scale};
use vigilux::simulator::certificate::certificate;
use vigilux::simulator::settings::Settings;
use vigilux::simulator::simulated_station::SimulatedStation;

/// Inputs of a reading.
pub struct Noon {
    pub calibration: Arc<Calibration>,
    pub detector: Detector,
    /// The short and the long bracket.
    lights: [Frame; 2],
    darks: [Frame; 2],
    model: DarkModel,
}

impl Noon {
    /// Exposes the virtual instrument.
    pub fn new() -> Self {
        let settings = Settings::default();
        let text = certificate(&settings).expect("the default bench has a certificate");
        let calibration = file::parse(Path::new("certificate.toml"), &text).expect("which is read back");
        let start = UtcMicros::parse("2026-06-21T10:00:00Z").expect("an instant");
        let mut bench = SimulatedStation::new(&settings, start).expect("the default bench");
        let noon = start.plus_seconds(3600.0);
        let mut frame = |t: f64, open: bool, n: usize| {
            let exposures: Vec<Exposure> = (0..n)
                .map(|k| {
                    let start = noon.plus_seconds(k as f64);
                    let (counts, _) = bench.expose(start, t, open);
                    let shutter = if open { Shutter::Open } else { Shutter::Closed };
                    Exposure {
                        start,
                        integration_s: t,
                        shutter,
                        temperature_c: Some(25.0),
                        counts,
                        crc32: 0,
                        rereads: 0,
                    }
                })
                .collect();
            Frame::of(&exposures, |counts| counts > 62_258).expect("exposures that are alike")
        };
        let lights = [frame(0.0068, true, 2), frame(0.464, true, 1)];
        let darks = [frame(0.0068, false, 8), frame(0.464, false, 8)];
        let detector = Detector {
            pixels: 2048,
            full_scale: 65_535,
            shielded: PixelRanges(vec![(0, 7), (2040, 2047)]),
            integration_min_s: 1e-3,
            integration_max_s: 60.0,
            has_shutter: true,
            transfer_s: 0.36,
        };
        let library: Vec<Frame> = [0.01, 0.1, 1.0, 5.0].iter().map(|t| frame(*t, false, 4)).collect();
        let library: Vec<FittingDark<'_>> =
            library.iter().map(|frame| FittingDark { frame, temperature_c: 25.0, light_lx: 0.0 }).collect();
        let model = DarkModel::fit(&library, &calibration.noise, &calibration.linearity).expect("a library of four");
        Self { calibration: Arc::new(calibration), detector, lights, darks, model }
    }

    /// The pixels' axis and response.
    pub fn scale(&self) -> Arc<Scale> {
        Arc::new(Scale::new(&self.calibration, &self.detector, 0))
    }

    /// Conditions of the reduction of both brackets.
    pub fn setting<'a>(&'a self, scale: &'a Arc<Scale>) -> ReductionContext<'a> {
        ReductionContext {
            calibration: &self.calibration,
            scale,
            temperature_c: Some(25.0),
            sun_elevation_deg: Some(60.0),
            pressure: 1.0,
            beam_share: None,
            lamps: None,
            aged: Default::default(),
            mains_hz: 0.0,
        }
    }

    /// Both brackets, each with its matched dark and the model's offsets.
    pub fn brackets(&self) -> [BracketInput<'_>; 2] {
        std::array::from_fn(|i| BracketInput {
            frame: &self.lights[i],
            dark: DarkFor::Matched { dark: &self.darks[i], model: Some(&self.model) },
            dark_light_lx: 0.0,
        })
    }
}
