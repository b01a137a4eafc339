//! The whole probe against the simulator, through the line, in stepped time.

use super::*;
use crate::clock::{SteppedClock, Stop, UtcMicros};
use crate::instrument::{Link, RecordingLink, SCPI};
use crate::probe::findings::findings;
use crate::probe::section::{Found, section};
use crate::simulator::replay::Replay;
use crate::simulator::scenes::playback::Playback;
use crate::simulator::{Settings, SimulatedStation, connect, connect_device};
use crate::spectrum::Spectrum;
use std::sync::{Arc, Mutex};

const START: UtcMicros = UtcMicros(1_782_036_000_000_000);

fn settings() -> Settings {
    let mut settings = Settings::default();
    settings.warm_up.minutes = 0.0;
    settings.ambient.amplitude_k = 0.0;
    settings.detector.stray_floor = 0.0;
    settings.detector.stray_wing = 0.0;
    settings
}

/// A station in steady light of `irradiance` [W m⁻² nm⁻¹].
fn station(settings: &Settings, irradiance: f64) -> SimulatedStation {
    let spectrum = Spectrum { wavelength_nm: vec![200.0, 1200.0], irradiance: vec![irradiance; 2] };
    let scene = Box::new(Playback::new(&spectrum, SimulatedStation::grid_of(settings)));
    SimulatedStation::with_scene(settings, START, scene).unwrap()
}

/// Probes a link; returns the figures and the recorded session.
fn probe(link: Box<dyn Link>, clock: &Arc<SteppedClock>, options: Options) -> (Result<Measured, Fault>, String) {
    let lines = Arc::new(Mutex::new(String::new()));
    let sink = {
        let lines = Arc::clone(&lines);
        Box::new(move |line: &str| {
            let mut lines = lines.lock().unwrap();
            lines.push_str(line);
            lines.push('\n');
        })
    };
    let clock: Arc<dyn Clock> = Arc::clone(clock) as Arc<dyn Clock>;
    let recorded = RecordingLink::new(link, Arc::clone(&clock), sink);
    let mut session = Session::new(Box::new(recorded), Arc::clone(&clock), Stop::new(), 115_200, &SCPI);
    let measured = measure(&mut session, clock.as_ref(), options, &mut |_| ());
    let text = lines.lock().unwrap().clone();
    (measured, text)
}

fn measured(settings: &Settings, irradiance: f64, options: Options) -> Measured {
    let clock = Arc::new(SteppedClock::new(START));
    let (link, _) = connect(station(settings, irradiance), Arc::clone(&clock));
    probe(Box::new(link), &clock, options).0.unwrap()
}

/// Independent: the figures are those that the simulated detector was built with.
#[test]
fn the_figures_of_the_virtual_spectrometer_come_out() {
    let settings = settings();
    let m = measured(&settings, 0.5, Options::default());
    assert_eq!(m.identity.serial, "VB-0001");
    // 4103 bytes at 115200 baud and the latency of the command.
    let transfer = m.transfer_s.unwrap();
    assert!((0.35..0.6).contains(&transfer.value), "{transfer:?}");
    let light = m.light.as_ref().unwrap();
    let noise = light.noise.as_ref().unwrap();
    let (gain, read) = (noise.electrons_per_count.unwrap(), noise.read_noise_counts.unwrap());
    assert!((gain.value - 3.0).abs() < 5.0 * gain.uncertainty && gain.uncertainty < 0.05, "{gain:?}");
    assert!((read.value - 7.0).abs() < 5.0 * read.uncertainty && read.uncertainty < 0.3, "{read:?}");
    assert!(!noise.neighbour_correlation.unwrap().differs_from_zero(4.0), "{noise:?}");
    let law = light.linearity.as_ref().unwrap();
    assert!((law.coefficient.value + 6e-7).abs() < 5.0 * law.coefficient.uncertainty, "{law:?}");
    assert!(
        law.coefficient.uncertainty < 5e-8 && law.time_offset_s.value.abs() < 5.0 * law.time_offset_s.uncertainty,
        "{law:?}"
    );
    let end = light.saturation.as_ref().unwrap();
    assert!(end.clips && end.highest_counts == 65_535, "{end:?}");
    assert_eq!(light.frame_lag, Some(0));
    let dark = m.dark.as_ref().unwrap();
    let (offset, rate) = (dark.offset_counts.unwrap(), dark.rate_counts_per_s.unwrap());
    let excess_k = m.temperature_c.unwrap() - settings.detector.reference_temperature_c;
    let expected = 1200.0 + settings.detector.offset_counts_per_k * excess_k;
    assert!((offset.value - expected).abs() < 2.0, "{offset:?}, {expected}");
    let expected = 20.0 * ((m.temperature_c.unwrap() - 20.0) / 7.0).exp2();
    assert!((rate.value / expected - 1.0).abs() < 0.05, "{rate:?}, {expected}");
    // A hundredth of the pixels is hot, with five to fifty times the dark current.
    assert!((8..40).contains(&dark.hot.len()), "{:?}", dark.hot);
    assert!(dark.stuck.is_empty() && dark.noisy.is_empty() && light.dead.is_empty());
}

#[test]
fn bad_pixels_are_found_where_they_were_put() {
    let mut settings = settings();
    settings.detector.hot_share = 0.0;
    settings.pixel_fault = toml::from_str::<toml::Table>(
        "f = [{ pixel = 900, dead = true }, { pixel = 1000, stuck_counts = 4000 }, { pixel = 1100, noise_counts = 80.0 }]",
    )
    .unwrap()
    .remove("f")
    .unwrap()
    .try_into()
    .unwrap();
    let m = measured(&settings, 0.5, Options::default());
    let (dark, light) = (m.dark.as_ref().unwrap(), m.light.as_ref().unwrap());
    assert_eq!((&dark.stuck[..], &dark.noisy[..]), (&[1000][..], &[1100][..]));
    assert!(light.dead.contains(&900), "{:?}", light.dead);
    let seen: Vec<String> = findings(&m).into_iter().map(|f| f.seen).collect();
    assert!(seen.iter().any(|s| s.contains("900")) && seen.iter().any(|s| s.contains("1000")), "{seen:?}");
}

#[test]
fn without_a_shutter_darks_need_the_cover_and_light_works_with_shielded_pixels() {
    let mut settings = settings();
    settings.device.shutter = false;
    let m = measured(&settings, 0.5, Options::default());
    assert!(m.dark.is_none());
    let gain = m.light.as_ref().unwrap().noise.as_ref().unwrap().electrons_per_count.unwrap();
    assert!((gain.value - 3.0).abs() < 0.1, "{gain:?}");
    assert!(findings(&m).iter().any(|f| f.advice.contains("--covered")));
    let m = measured(&settings, 1e-12, Options { covered: true });
    assert!((m.dark.unwrap().offset_counts.unwrap().value - 1200.0).abs() < 30.0);
}

#[test]
fn light_that_is_too_dim_or_too_bright_is_said() {
    let m = measured(&settings(), 1e-9, Options::default());
    assert!(m.light.is_none() && m.no_light.as_ref().unwrap().contains("too dim"), "{:?}", m.no_light);
    let mut settings = settings();
    settings.device.aperture_min_s = 0.05;
    let m = measured(&settings, 2.0, Options::default());
    assert!(m.no_light.as_ref().unwrap().contains("too bright"), "{:?}", m.no_light);
    assert!(!findings(&m).is_empty());
}

#[test]
fn the_section_is_valid_toml_with_the_measured_numbers() {
    let m = measured(&settings(), 0.5, Options::default());
    let text = section(&m, &Found { link: "/dev/serial/by-id/x", baud: 115_200, dialect: "scpi" });
    let table: toml::Table = text.parse().unwrap();
    let instrument = &table["instrument"].as_array().unwrap()[0];
    assert_eq!(instrument["link"].as_str(), Some("/dev/serial/by-id/x"));
    assert_eq!(instrument["exposure"]["discard_frames"].as_integer(), Some(0));
    // The lines for the calibration file are TOML once their marks are taken away.
    let lines: Vec<&str> = text.lines().skip_while(|l| *l != "# [noise]").map(|l| l.trim_start_matches("# ")).collect();
    let calibration: toml::Table = lines.join("\n").parse().unwrap();
    let gain = calibration["noise"]["electrons_per_count"].as_float().unwrap();
    assert!((gain - 3.0).abs() < 0.1, "{text}");
}

/// A recorded session, played, gives the figures of the recorded instrument to the last digit.
#[test]
fn a_recorded_session_is_played_with_the_same_figures() {
    let mut settings = settings();
    settings.detector.pixels = 128;
    settings.detector.shielded = vec![[0, 3]];
    settings.detector.wavelength_coefficients = vec![300.0, 6.0];
    let clock = Arc::new(SteppedClock::new(START));
    let (link, _) = connect(station(&settings, 0.5), Arc::clone(&clock));
    let (first, session) = probe(Box::new(link), &clock, Options::default());
    let clock = Arc::new(SteppedClock::new(START));
    let (link, _) = connect_device(Replay::parse(&session, &settings, START).unwrap(), Arc::clone(&clock));
    let (second, _) = probe(Box::new(link), &clock, Options::default());
    let (first, second) = (first.unwrap(), second.unwrap());
    assert_eq!((first.light, first.dark, first.temperature_c), (second.light, second.dark, second.temperature_c));
}
