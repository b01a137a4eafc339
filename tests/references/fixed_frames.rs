//! Frames that were kept with the values they gave: processing them again has to give the same bits.
//!
//! What the files in `fixed_frames/` hold is described in the README.txt there. Only [`process`] names types of the program.
//! Not covered: a stray-light matrix, a reading without any dark, a reading without a calibration.

use serde_json::Value;
use std::path::Path;

/// Quantities whose uncertainty may change with its method; their values may not.
const UNCERTAINTY_EXEMPT: [&str; 4] = ["cri_ra", "cri_r9", "fidelity_rf", "gamut_rg"];
/// The quantity that may change in all it says.
const EXEMPT: &str = "peak_wavelength";

/// What processing gave for one quantity.
struct Quantity {
    id: &'static str,
    /// Value and standard uncertainty.
    value: Option<(f64, f64)>,
    verdict: Option<&'static str>,
    flags: Vec<&'static str>,
    /// Minimum, maximum and deviation of the exposures of a window.
    window: Option<[f64; 3]>,
}

/// What processing gave for one reading.
struct Processed {
    flags: Vec<&'static str>,
    quantities: Vec<Quantity>,
    numbers: Vec<(&'static str, Option<f64>)>,
    time_mid_us: i64,
    irradiance: Vec<f64>,
}

/// The stored inputs and outputs.
struct Fixture {
    index: Value,
    arrays: Vec<u8>,
}

impl Fixture {
    fn read() -> Self {
        let index = serde_json::from_str(&text("readings.json")).expect("readings.json is JSON");
        let arrays = std::fs::read(folder().join("arrays.bin")).expect("arrays.bin is there");
        Self { index, arrays }
    }

    fn words(&self, array: &Value) -> impl Iterator<Item = [u8; 4]> {
        let bytes = 4 * whole(&self.index["pixels"]) as usize;
        let at = bytes * whole(array) as usize;
        self.arrays[at..at + bytes].chunks_exact(4).map(|word| word.try_into().expect("four bytes"))
    }

    fn counts(&self, array: &Value) -> Vec<u32> {
        self.words(array).map(u32::from_le_bytes).collect()
    }

    fn floats(&self, array: &Value) -> Vec<f32> {
        self.words(array).map(f32::from_le_bytes).collect()
    }
}

fn folder() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/references/fixed_frames")
}

fn text(name: &str) -> String {
    std::fs::read_to_string(folder().join(name)).unwrap_or_else(|why| panic!("{name}: {why}"))
}

fn string(value: &Value) -> &str {
    value.as_str().unwrap_or_else(|| panic!("expected a string, but found {value}"))
}

fn whole(value: &Value) -> i64 {
    value.as_i64().unwrap_or_else(|| panic!("expected an integer, but found {value}"))
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("expected a number, but found {value}"))
}

fn truth(value: &Value) -> bool {
    value.as_bool().unwrap_or_else(|| panic!("expected true or false, but found {value}"))
}

fn list(value: &Value) -> &[Value] {
    value.as_array().unwrap_or_else(|| panic!("expected a list, but found {value}"))
}

/// A double from the sixteen hexadecimal digits of its bits.
fn double(value: &Value) -> f64 {
    f64::from_bits(u64::from_str_radix(string(value), 16).expect("hexadecimal digits"))
}

fn pair(value: &Value) -> (f64, f64) {
    (double(&value[0]), double(&value[1]))
}

/// Builds the program's inputs from stored ones and processes them.
fn process(fixture: &Fixture, stored: &Value) -> Processed {
    use vigilux::calibration::file::parse_stored;
    use vigilux::clock::UtcMicros;
    use vigilux::darks::FrameWithDark;
    use vigilux::processing::pipeline::{Pipeline, mean_time};
    use vigilux::record::{
        AcquisitionContext, DarkProvenance, Detector, DriftEstimates, Flag, Frame, PixelRanges, Shutter, Stamp,
    };
    use vigilux::reduction::{DarkFor, DarkModel};

    let ranges =
        |value: &Value| PixelRanges(list(value).iter().map(|r| (whole(&r[0]) as u16, whole(&r[1]) as u16)).collect());
    let frame = |k: &Value| -> Frame {
        let stored = &fixture.index["frames"][whole(k) as usize];
        let stamp = |t: &Value| Stamp { start: UtcMicros(whole(t)), crc32: 0 };
        Frame {
            integration_s: number(&stored["integration_s"]),
            shutter: if truth(&stored["shutter_closed"]) { Shutter::Closed } else { Shutter::Open },
            temperature_c: stored["temperature_c"].as_f64(),
            stamps: list(&stored["starts_us"]).iter().map(stamp).collect(),
            sums: fixture.counts(&stored["counts"]),
            clipped: ranges(&stored["clipped_pixels"]),
            light_variation: number(&stored["light_variation"]) as f32,
            ripple: Vec::new(),
            rejected: Vec::new(),
        }
    };
    let model = |k: i64| -> DarkModel {
        let stored = &fixture.index["dark_models"][k as usize];
        DarkModel {
            offset: fixture.floats(&stored["offset"]),
            rate: fixture.floats(&stored["rate"]),
            reference_c: double(&stored["reference_c"]),
            offset_per_k: double(&stored["offset_per_k"]),
            rate_exponent_per_k: Some(&stored["rate_exponent_per_k"]).filter(|v| !v.is_null()).map(double),
            exponent_uncertainty: double(&stored["exponent_uncertainty"]),
            covariance: [0, 1, 2].map(|i| double(&stored["covariance"][i])),
            temperature_range_c: pair(&stored["temperature_range_c"]),
            integration_range_s: pair(&stored["integration_range_s"]),
            newest: UtcMicros(whole(&stored["newest_us"])),
            darks: whole(&stored["darks"]) as usize,
            light_lx: 0.0,
        }
    };

    let brackets = list(&stored["brackets"]);
    let lights: Vec<Frame> = brackets.iter().map(|b| frame(&b["frame"])).collect();
    let darks: Vec<(Option<Frame>, Option<DarkModel>)> = brackets
        .iter()
        .map(|b| (b["dark"].as_i64().map(|_| frame(&b["dark"])), b["dark_model"].as_i64().map(model)))
        .collect();
    let exposures = |b: &Value| -> Vec<Frame> { list(&b["exposures_of_window"]).iter().map(frame).collect() };
    let mut singles: Vec<Vec<Frame>> = brackets.iter().map(exposures).collect();
    if singles.iter().all(Vec::is_empty) {
        singles.clear();
    }
    let inputs: Vec<FrameWithDark<'_>> = brackets
        .iter()
        .zip(lights.iter().zip(&darks))
        .map(|(b, (light, dark))| FrameWithDark {
            frame: light,
            dark: match dark {
                (Some(dark), model) => Some(DarkFor::Matched { dark, model: model.as_ref() }),
                (None, Some(model)) => Some(DarkFor::Model(model)),
                (None, None) => None,
            },
            provenance: DarkProvenance {
                stale: truth(&b["dark_stale"]),
                suspect: truth(&b["dark_suspect"]),
                modelled: truth(&b["dark_modelled"]),
                ..DarkProvenance::default()
            },
            dark_time: b["dark_time_us"].as_i64().map(UtcMicros),
            reference: Default::default(),
            dark_light_lx: 0.0,
        })
        .collect();
    let context = &stored["context"];
    let about = AcquisitionContext {
        warming: truth(&context["warming"]),
        repeated_frame: truth(&context["repeated_frame"]),
        shutter_fault: truth(&context["shutter_fault"]),
        dark_drift: truth(&context["dark_drift"]),
        link_fault: truth(&context["link_fault"]),
        clock_unsynced: truth(&context["clock_unsynced"]),
        single_shot: truth(&context["single_shot"]),
        unsteady_share: number(&context["unsteady_share"]),
        peak_level: number(&context["peak_level"]),
        check_source: truth(&context["check_source"]),
        interrupted: truth(&context["interrupted"]),
        drift: DriftEstimates {
            shift_nm: number(&context["wavelength_shift_nm"]),
            wavelength_age_s: number(&context["wavelength_age_s"]),
            response_age_s: number(&context["response_age_s"]),
        },
        lamp_shapes: None,
    };
    let detector = Detector {
        pixels: whole(&fixture.index["pixels"]) as usize,
        full_scale: whole(&stored["detector"]["full_scale"]) as u32,
        shielded: ranges(&stored["detector"]["shielded_pixels"]),
        integration_min_s: number(&stored["detector"]["integration_min_s"]),
        integration_max_s: number(&stored["detector"]["integration_max_s"]),
        has_shutter: truth(&stored["detector"]["has_shutter"]),
        transfer_s: number(&stored["detector"]["transfer_s"]),
    };
    let calibration = parse_stored(&text(string(&stored["calibration"])), None).expect("the calibration is right");
    let station = string(&stored["station"]);
    let now = UtcMicros(whole(&stored["expected"]["numbers"]["time_mid_us"]));
    let config = vigilux::config::parse(&folder().join(station), &text(station), now).expect("the station is right");

    let limits = config.instruments[0].limits.clone();
    let sun = config.station.sun_at(mean_time(lights.iter()));
    let mut pipeline = Pipeline::new("head", config.station, limits, calibration.into(), detector);
    let made = pipeline.process(&inputs, &singles, sun, &about);

    let reading = made.reading;
    let quantity = |(q, quantity): (usize, &vigilux::quantities::Quantity)| Quantity {
        id: quantity.id,
        value: match &reading.values[q] {
            vigilux::record::QuantityValue::Value { value, uncertainty, .. } => Some((*value, *uncertainty)),
            vigilux::record::QuantityValue::Null(_) => None,
        },
        verdict: reading.values[q].verdict().map(|v| v.name()),
        flags: reading.quantity_flags[q].iter().map(Flag::name).collect(),
        window: reading.window.get(q).copied().flatten().map(|w| [w.minimum, w.maximum, w.deviation]),
    };
    Processed {
        quantities: vigilux::quantities::registry().iter().enumerate().map(quantity).collect(),
        flags: reading.flags.iter().map(Flag::name).collect(),
        numbers: vec![
            ("sun_elevation_deg", reading.sun_elevation),
            ("sun_azimuth_deg", reading.sun_azimuth),
            ("relative_air_mass", reading.relative_air_mass),
            ("detector_temperature_c", reading.detector_temperature),
            ("peak_level", Some(reading.peak_level)),
            ("signal_to_noise", reading.signal_to_noise),
            ("stray_floor", reading.stray_floor),
            ("dark_age_s", reading.dark_age),
        ],
        time_mid_us: reading.time_mid.0,
        irradiance: made.reduced.map(|r| r.irradiance).unwrap_or_default(),
    }
}

/// Differences of one reading, a line each.
struct Differences<'a> {
    reading: &'a str,
    found: Vec<String>,
}

impl Differences<'_> {
    fn number(&mut self, what: &str, want: Option<f64>, got: Option<f64>) {
        if want.map(f64::to_bits) == got.map(f64::to_bits) {
            return;
        }
        let apart = match (want, got) {
            (Some(want), Some(got)) => format!("{} ulps apart", ulps(want, got)),
            _ => "one of them is null".to_owned(),
        };
        self.found.push(format!("{}: {what}: wanted {want:?}, got {got:?}, {apart}", self.reading));
    }

    fn words<T: PartialEq + std::fmt::Debug>(&mut self, what: &str, want: &T, got: &T) {
        if want != got {
            self.found.push(format!("{}: {what}: wanted {want:?}, got {got:?}", self.reading));
        }
    }

    fn quantity(&mut self, want: &Value, got: &Quantity) {
        let id = got.id;
        let wanted = |key: &str| Some(&want[key]).filter(|v| !v.is_null()).map(double);
        self.number(id, wanted("value"), got.value.map(|v| v.0));
        let window = |k: usize| Some(&want["window"][k]).filter(|v| !v.is_null()).map(double);
        for (k, name) in ["minimum", "maximum", "deviation"].into_iter().enumerate() {
            self.number(&format!("{id}, {name} of the window"), window(k), got.window.map(|w| w[k]));
        }
        if UNCERTAINTY_EXEMPT.contains(&id) {
            return;
        }
        self.number(&format!("{id}, uncertainty"), wanted("uncertainty"), got.value.map(|v| v.1));
        self.words(&format!("{id}, verdict"), &want["verdict"].as_str(), &got.verdict);
        self.words(&format!("{id}, flags"), &strings(&want["flags"]), &got.flags);
    }
}

fn strings(value: &Value) -> Vec<&str> {
    list(value).iter().map(string).collect()
}

/// Doubles between two doubles; numbers of either sign are in one row.
fn ulps(a: f64, b: f64) -> i128 {
    let place = |x: f64| match x.to_bits() as i64 {
        bits if bits < 0 => i128::from(i64::MIN) - i128::from(bits),
        bits => i128::from(bits),
    };
    (place(a) - place(b)).abs()
}

/// Flags of the reading that do not come from exempt quantities alone.
fn compared_flags(got: &Processed) -> Vec<&'static str> {
    let exempt = |q: &&Quantity| q.id == EXEMPT || UNCERTAINTY_EXEMPT.contains(&q.id);
    let raised = |flag: &str, by_exempt: bool| {
        let mut quantities = got.quantities.iter().filter(|q| q.value.is_some() || by_exempt);
        quantities.any(|q| exempt(&q) == by_exempt && q.flags.contains(&flag))
    };
    got.flags.iter().copied().filter(|flag| !raised(flag, true) || raised(flag, false)).collect()
}

/// Regression: what the program computed from these frames when they were kept, to the bit. `f64::exp` and its like come from
/// the C library, whose last bit is the same on one kind of machine only.
#[test]
#[cfg_attr(not(all(target_arch = "x86_64", target_env = "gnu")), ignore = "the bits are those of glibc on x86-64")]
fn fixed_frames_give_the_bits_they_gave() {
    let fixture = Fixture::read();
    let readings = list(&fixture.index["readings"]);
    assert!(readings.len() >= 24, "{} readings", readings.len());
    let (mut found, mut compared) = (Vec::new(), 0);
    for stored in readings {
        let got = process(&fixture, stored);
        let want = &stored["expected"];
        let mut differences = Differences { reading: string(&stored["name"]), found: Vec::new() };
        for (name, got) in &got.numbers {
            let want = Some(&want["numbers"][name]).filter(|v| !v.is_null()).map(double);
            differences.number(name, want, *got);
        }
        differences.words("time_mid_us", &whole(&want["numbers"]["time_mid_us"]), &got.time_mid_us);
        let bytes: Vec<u8> = got.irradiance.iter().flat_map(|e| e.to_bits().to_le_bytes()).collect();
        let crc = i64::from(crc32fast::hash(&bytes));
        differences.words("irradiance_crc32", &whole(&want["numbers"]["irradiance_crc32"]), &crc);
        differences.words("flags", &strings(&want["flags"]), &compared_flags(&got));
        for want in list(&want["quantities"]).iter().filter(|q| q["id"] != EXEMPT) {
            let id = string(&want["id"]);
            match got.quantities.iter().find(|q| q.id == id) {
                Some(got) => differences.quantity(want, got),
                None => differences.words("quantities", &Some(id), &None),
            }
            compared += usize::from(!want["value"].is_null());
        }
        found.extend(differences.found);
    }
    println!("{} readings, {compared} values", readings.len());
    assert!(compared > 500, "{compared} values");
    assert!(found.is_empty(), "{} differences:\n{}", found.len(), found.join("\n"));
}
