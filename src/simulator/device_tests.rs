//! The SCPI dialect of the device, tested with bytes and times only.

use super::*;
use crate::simulator::faults::{AppliesTo, FaultRule};
use crate::simulator::scenes::playback::Playback;
use crate::simulator::settings::Settings;
use crate::simulator::truth::TruthLog;
use crate::spectrum::Spectrum;

const START: UtcMicros = UtcMicros(1_782_036_000_000_000);

fn station(settings: &Settings) -> SimulatedStation {
    let spectrum = Spectrum { wavelength_nm: vec![200.0, 1200.0], irradiance: vec![0.1, 0.1] };
    let scene = Box::new(Playback::new(&spectrum, SimulatedStation::grid_of(settings)));
    let mut station = SimulatedStation::with_scene(settings, START, scene).unwrap();
    station.truth = TruthLog::in_memory();
    station
}

fn small() -> Settings {
    let mut settings = Settings::default();
    settings.detector.pixels = 64;
    settings.detector.shielded = vec![[0, 3], [60, 63]];
    settings.detector.wavelength_coefficients = vec![300.0, 10.0];
    settings.baud = 1_000_000;
    settings.warm_up.minutes = 0.0;
    settings.ambient.amplitude_k = 0.0;
    settings
}

/// A host with its own clock.
struct Host {
    device: Device,
    now: UtcMicros,
}

impl Host {
    fn new(settings: &Settings) -> Self {
        Self { device: Device::new(station(settings)), now: START }
    }

    /// Sends text and returns everything received within `seconds`.
    fn ask_for(&mut self, text: &[u8], seconds: f64) -> Vec<u8> {
        self.device.receive(text, self.now);
        self.now = self.now.plus_seconds(seconds);
        let mut out = Vec::new();
        self.device.transmit(self.now, (1, usize::MAX), &mut out);
        out
    }

    fn ask(&mut self, text: &str) -> String {
        String::from_utf8(self.ask_for(format!("{text}\n").as_bytes(), 5.0)).unwrap()
    }

    fn error(&mut self) -> String {
        self.ask("SYST:ERR?")
    }

    /// Payload of a binary block answer.
    fn block(&mut self, text: &str) -> Vec<u8> {
        let answer = self.ask_for(format!("{text}\n").as_bytes(), 5.0);
        assert_eq!(answer.first(), Some(&b'#'), "{answer:?}");
        let digits = usize::from(answer[1] - b'0');
        let length: usize = std::str::from_utf8(&answer[2..2 + digits]).unwrap().parse().unwrap();
        assert_eq!(answer.len(), 2 + digits + length + 1);
        assert_eq!(answer.last(), Some(&b'\n'));
        answer[2 + digits..2 + digits + length].to_vec()
    }
}

#[test]
fn every_query_answers_in_its_form() {
    let mut host = Host::new(&small());
    for (query, answer) in [
        ("*IDN?", "Vigilux,Virtual-2048,VB-0001,1.0\n"),
        ("*OPC?", "1\n"),
        ("*TST?", "0\n"),
        ("SYSTem:ERRor:NEXT?", "0,\"No error\"\n"),
        ("SYST:VERS?", "1999.0\n"),
        ("SENS:APER? MIN", "1E-3\n"),
        ("SENS:APER? MAX", "6E1\n"),
        ("SENS:DET:SIZE?", "64\n"),
        ("SENS:DET:FSC?", "65535\n"),
        ("SENS:DET:MASK?", "0,3,60,63\n"),
        ("INP:SHUT?", "OPEN\n"),
        ("FORM?", "ASC\n"),
        ("FORM:DATA?", "ASC\n"),
        ("FORM:BORD?", "NORM\n"),
        ("CAL:WAV?", "3E2,1E1\n"),
        ("*idn?;sens:det:size?;fsc?\r", "Vigilux,Virtual-2048,VB-0001,1.0;64;65535\n"),
    ] {
        assert_eq!(host.ask(query), answer, "{query}");
    }
    let celsius: f64 = host.ask("MEAS:TEMP?").trim().parse().unwrap();
    assert!((15.0..30.0).contains(&celsius), "{celsius}");
}

#[test]
fn settings_are_silent_until_reset() {
    let mut host = Host::new(&small());
    assert_eq!(host.ask("SENS:APER 100 ms;:INP:SHUT CLOS;:FORM UINT,16;FORM:BORD SWAP"), "");
    assert_eq!(host.ask("SENS:APER?;:INP:SHUT?;:FORM?;FORM:BORD?"), "1E-1;CLOS;UINT,16;SWAP\n");
    assert_eq!(host.ask("*RST"), "");
    assert_eq!(host.ask("SENS:APER?;:INP:SHUT?;:FORM?;FORM:BORD?"), "1E-3;OPEN;ASC;NORM\n");
    assert_eq!(host.error(), "0,\"No error\"\n");
}

#[test]
fn an_aperture_is_rounded_or_refused() {
    let mut host = Host::new(&small());
    assert_eq!(
        host.ask("SENS:APER 0.0123456;APER?"),
        "1.235E-2\n".replace("1.235E-2", &format!("{:E}", 1235.0 * 1e-5))
    );
    for bad in ["0", "-1", "0.0001", "61", "1e30"] {
        assert_eq!(host.ask(&format!("SENS:APER {bad}")), "");
        assert_eq!(host.error(), "-222,\"Data out of range\"\n", "{bad}");
    }
    let value: f64 = host.ask("SENS:APER?").trim().parse().unwrap();
    assert!((value - 0.01235).abs() < 1e-12);
    host.ask("SENS:APER MAX");
    assert_eq!(host.ask("SENS:APER?"), "6E1\n");
}

#[test]
fn errors_queue_up_oldest_first_and_overflow_is_marked() {
    let mut settings = small();
    settings.device.shutter = false;
    let mut host = Host::new(&settings);
    for text in ["BLINK", "READ? 1", "SENS:APER 99", "FORM UINT,7", "FETC?", "FETC:CRC?", "INP:SHUT OPEN", "INP:SHUT?"]
    {
        assert_eq!(host.ask(text), "", "{text}");
    }
    for code in [-113, -108, -222, -224, -230, -230, -241, -241, 0] {
        assert!(host.error().starts_with(&format!("{code},\"")), "{code}");
    }
    for _ in 0..40 {
        host.ask("BLINK");
    }
    let mut codes = Vec::new();
    loop {
        let code: i32 = host.error().split(',').next().unwrap().parse().unwrap();
        if code == 0 {
            break;
        }
        codes.push(code);
    }
    assert_eq!(codes.len(), ERRORS_MAX);
    assert_eq!((codes[0], codes[ERRORS_MAX - 1]), (-113, -350));
    host.ask("BLINK");
    host.ask("*CLS");
    assert_eq!(host.error(), "0,\"No error\"\n");
}

#[test]
fn blocks_agree_with_their_crc_and_are_fetched_again() {
    let mut host = Host::new(&small());
    host.ask("FORM UINT,16");
    let block = host.block("READ?");
    assert_eq!(block.len(), 128);
    assert_eq!(host.ask("FETC:CRC?"), format!("{}\n", crc32fast::hash(&block)));
    assert_eq!(host.block("FETC?"), block);
    assert_eq!(host.device.reads(), 1);
    let truth = host.device.station().truth.find(crc32fast::hash(&block)).unwrap();
    assert!(truth.shutter_open && (truth.length_s - 1e-3).abs() < 1e-9);
    host.device.station_mut().set_noise(false);
    host.ask("INP:SHUT CLOS");
    let big = host.block("READ?");
    host.ask("FORM:BORD SWAP");
    let little = host.block("READ?");
    assert!(big.chunks(2).zip(little.chunks(2)).all(|(a, b)| a[0] == b[1] && a[1] == b[0]));
    host.ask("FORM UINT,32");
    let wide = host.block("READ?");
    assert!(wide.chunks(4).zip(little.chunks(2)).all(|(a, b)| a[0] == b[0] && a[1] == b[1] && a[2] == 0 && a[3] == 0));
    host.ask("FORM ASC");
    let text = host.ask("READ?");
    let numbers: Vec<u32> = text.trim().split(',').map(|n| n.parse().unwrap()).collect();
    assert_eq!(numbers.len(), 64);
    assert_eq!(numbers[9], u32::from(u16::from_le_bytes([little[18], little[19]])));
    assert_eq!(host.ask("FETC:CRC?"), format!("{}\n", crc32fast::hash(text.trim().as_bytes())));
}

#[test]
fn an_answer_follows_the_exposure_at_the_line_rate() {
    let mut settings = small();
    settings.baud = 9600;
    let mut host = Host::new(&settings);
    host.ask("FORM UINT,16;:SENS:APER 2");
    let begun = host.now;
    assert_eq!(host.ask_for(b"READ?\n", 2.0), b"");
    assert_eq!(host.ask_for(b"", 0.007), b"#3128", "a byte takes 1.04 ms, from 2.001 s on");
    host.ask_for(b"", 0.2);
    let due = host.device.next_due(1000).is_none();
    assert!(due, "134 bytes take 0.14 s");
    let truth = host.device.station().truth.drain();
    let start = truth.last().unwrap().start.seconds_since(begun);
    assert!((0.0..=0.005).contains(&start), "began after {start} s");
}

#[test]
fn abort_ends_an_exposure_without_an_answer() {
    let mut host = Host::new(&small());
    host.ask("SENS:APER 30");
    assert_eq!(host.ask_for(b"READ?\n*OPC?\n", 10.0), b"", "busy");
    assert_eq!(host.ask_for(b"ABOR\n", 1.0), b"1\n");
    assert_eq!(host.ask_for(b"", 60.0), b"");
    assert_eq!(host.ask("FETC?"), "");
    assert!(host.error().starts_with("-230"));
    assert!(host.device.station().truth.drain().is_empty(), "an aborted exposure has no truth");
}

#[test]
fn a_closed_shutter_blocks_the_light() {
    let mut host = Host::new(&small());
    host.ask("FORM UINT,16;:SENS:APER 0.05");
    let light = host.block("READ?");
    let dark = host.block("INP:SHUT CLOS;:READ?");
    let level = |b: &[u8]| u16::from_be_bytes([b[40], b[41]]);
    assert!(level(&light) > level(&dark) + 500, "{} {}", level(&light), level(&dark));
    let truths = host.device.station().truth.drain();
    assert_eq!(truths.iter().map(|t| t.shutter_open).collect::<Vec<_>>(), [true, false]);
    assert!(truths[1].irradiance_w_m2_nm[50] > 0.0, "the truth is the light before the shutter");
}

#[test]
fn faults_of_the_line_leave_the_stored_block_unchanged() {
    let kinds = [
        FaultKind::ShortBlock,
        FaultKind::LongBlock,
        FaultKind::FlippedBit,
        FaultKind::DoubledAnswer,
        FaultKind::NoiseBefore,
        FaultKind::NoAnswer,
    ];
    let mut settings = small();
    settings.fault = kinds.iter().zip(1..).map(|(kind, n)| FaultRule::at(*kind, &[n])).collect();
    let mut host = Host::new(&settings);
    host.ask("FORM UINT,16");
    let full = 2 + 3 + 128 + 1;
    for kind in kinds {
        let answer = host.ask_for(b"READ?\n", 1.0);
        let right = host.ask_for(b"FETC?\n", 1.0);
        assert_eq!(right.len(), full);
        let crc: u32 = host.ask("FETC:CRC?").trim().parse().unwrap();
        assert_eq!(crc, crc32fast::hash(&right[5..full - 1]));
        match kind {
            FaultKind::ShortBlock => assert_eq!(answer[..full - 2], right[..full - 2]),
            FaultKind::LongBlock => assert_eq!((answer.len(), &answer[..full - 1]), (full + 1, &right[..full - 1])),
            FaultKind::FlippedBit => {
                let bits: u32 = answer.iter().zip(&right).map(|(a, b)| (a ^ b).count_ones()).sum();
                assert_eq!((answer.len(), bits), (full, 1));
            }
            FaultKind::DoubledAnswer => assert_eq!(answer, [right.clone(), right].concat()),
            FaultKind::NoiseBefore => assert_eq!(answer[3..], right),
            _ => assert!(answer.is_empty()),
        }
    }
}

#[test]
fn answers_are_late_split_or_repeated_by_rule() {
    let mut settings = small();
    settings.fault = vec![
        FaultRule { seconds: 3.0, ..FaultRule::at(FaultKind::LateAnswer, &[1]) },
        FaultRule { seconds: 0.5, count: 2, ..FaultRule::at(FaultKind::Pieces, &[2]) },
        FaultRule::at(FaultKind::RepeatedFrame, &[3]),
    ];
    let mut host = Host::new(&settings);
    host.ask("FORM UINT,16");
    assert_eq!(host.ask_for(b"READ?\n", 2.9), b"");
    assert_eq!(host.ask_for(b"", 0.5).len(), 134);
    assert_eq!(host.ask_for(b"READ?\n", 0.4).len(), 67);
    let mut rest = Vec::new();
    host.now = host.now.plus_seconds(0.2);
    host.device.transmit(host.now, (1, usize::MAX), &mut rest);
    assert_eq!(rest.len(), 67);
    let last = host.block("FETC?");
    assert_eq!(host.block("READ?"), last);
    assert_ne!(host.block("READ?"), last);
}

/// Counts of a binary block.
fn counts(block: &[u8]) -> Vec<u32> {
    block.chunks_exact(2).map(|b| u32::from(u16::from_be_bytes([b[0], b[1]]))).collect()
}

/// Each of these faults changes counts, and the checksum is that of the changed block.
#[test]
fn wrong_counts_have_a_valid_checksum() {
    let mut settings = small();
    settings.fault = vec![
        FaultRule { count: 6000, ..FaultRule::at(FaultKind::Spike, &[2]) },
        FaultRule { count: 2, ..FaultRule::at(FaultKind::ResentBlock, &[5]) },
        FaultRule {
            count: 1500,
            ..FaultRule::between(FaultKind::ClipsBelowFullScale, Some(START.plus_seconds(100.0)), None)
        },
    ];
    let mut host = Host::new(&settings);
    host.ask("FORM UINT,16;:SENS:APER 0.005");
    let blocks: Vec<Vec<u8>> = (0..5).map(|_| host.block("READ?")).collect();
    let change = |i: usize| f64::from(counts(&blocks[1])[i]) - f64::from(counts(&blocks[0])[i]);
    let hit: Vec<usize> = (0..64).filter(|i| change(*i) > 3000.0).collect();
    assert!(hit.len() == 2 && hit[1] == hit[0] + 1, "{hit:?}");
    assert_eq!(blocks[4], blocks[2]);
    let crc: u32 = host.ask("FETC:CRC?").trim().parse().unwrap();
    assert_eq!(crc, crc32fast::hash(&blocks[4]));
    host.now = START.plus_seconds(100.0);
    host.ask("SENS:APER 0.05");
    let clipped = counts(&host.block("READ?"));
    assert!(clipped.iter().max() == Some(&1500) && clipped.iter().filter(|c| **c == 1500).count() > 10);
}

/// A detector that runs freely answers with an earlier exposure, which has the settings of that time.
#[test]
fn a_detector_that_runs_freely_is_behind_its_settings() {
    let mut settings = small();
    settings.fault = vec![FaultRule { count: 2, ..FaultRule::between(FaultKind::FrameLag, None, None) }];
    let mut host = Host::new(&settings);
    host.ask("FORM UINT,16");
    let level = |block: Vec<u8>| counts(&block)[20];
    let levels: Vec<u32> = [0.05, 0.001, 0.001, 0.001]
        .iter()
        .map(|s| {
            host.ask(&format!("SENS:APER {s}"));
            level(host.block("READ?"))
        })
        .collect();
    assert!(levels[2] > levels[0] + 300, "the first exposure comes third: {levels:?}");
    assert!([levels[1], levels[3]].iter().all(|l| l.abs_diff(levels[0]) < 150), "{levels:?}");
}

#[test]
fn a_restart_loses_settings_and_another_serial_number_is_reported() {
    let mut settings = small();
    settings.fault = vec![
        FaultRule::at(FaultKind::Restart, &[2]),
        FaultRule::between(FaultKind::OtherSerial, Some(START.plus_seconds(1000.0)), None),
    ];
    let mut host = Host::new(&settings);
    host.ask("FORM UINT,16;:SENS:APER 0.01");
    host.block("READ?");
    assert_eq!(host.ask_for(b"READ?\n", 0.5), b"");
    assert_eq!(host.ask_for(b"*IDN?\n", 2.0), b"", "no answer while it boots");
    assert_eq!(host.ask("FORM?;:SENS:APER?"), "ASC;1E-3\n");
    assert_eq!(host.ask("FETC?"), "");
    assert!(host.error().starts_with("-230"));
    assert!(host.ask("*IDN?").contains("VB-0001"));
    host.now = START.plus_seconds(1000.0);
    assert!(host.ask("*IDN?").contains("VB-9999"));
}

#[test]
fn rules_for_any_answer_apply_to_queries() {
    let mut settings = small();
    settings.fault = vec![FaultRule {
        applies_to: AppliesTo::Any,
        probability: 1.0,
        count: 20,
        ..FaultRule::at(FaultKind::ErrorQueueFills, &[])
    }];
    let mut host = Host::new(&settings);
    assert_eq!(host.ask("*OPC?"), "1\n");
    assert!(host.error().starts_with("-310"));
}

#[test]
fn garbage_causes_no_panic() {
    let mut host = Host::new(&small());
    host.ask_for(&[0xff, 0x00, b';', b';', b'\n', b'\r', b'\n'], 1.0);
    host.ask_for(&vec![b'x'; 100_000], 1.0);
    host.ask_for(b"\n", 1.0);
    assert_eq!(host.ask("*CLS;*OPC?"), "1\n");
    host.ask("READ?;*OPC?");
    assert!(host.error().starts_with("-310"), "no unit may follow READ?");
}

#[test]
fn bytes_leave_in_chunks() {
    let mut host = Host::new(&Settings::default());
    host.device.receive(b"*IDN?\n", host.now);
    let (mut sizes, mut all) = (Vec::new(), Vec::new());
    for _ in 0..2000 {
        host.now = host.now.plus_seconds(1e-5);
        let mut out = Vec::new();
        host.device.transmit(host.now, (8, usize::MAX), &mut out);
        sizes.extend((!out.is_empty()).then_some(out.len()));
        all.extend(out);
    }
    let mut whole = Host::new(&Settings::default());
    assert_eq!(String::from_utf8(all).unwrap(), whole.ask("*IDN?"));
    let (last, full) = sizes.split_last().unwrap();
    assert!(full.len() >= 3 && full.iter().all(|n| *n == 8) && *last <= 8, "{sizes:?}");
}

#[test]
fn the_same_seed_gives_the_same_bits() {
    let run = |seed: u64| {
        let mut host = Host::new(&Settings { seed, ..small() });
        host.ask("FORM UINT,16;:SENS:APER 0.02");
        (0..3).map(|_| host.block("READ?")).collect::<Vec<_>>()
    };
    assert_eq!(run(7), run(7));
    assert_ne!(run(7), run(8));
}
