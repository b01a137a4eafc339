//! A session with the virtual spectrometer, which shares no code with it, over its in-process line in stepped time.

use std::sync::Arc;
use vigilux::clock::{Clock, SteppedClock, Stop, UtcMicros};
use vigilux::fault::Fault;
use vigilux::instrument::{SCPI, Session};
use vigilux::record::{Exposure, Frame, Shutter};
use vigilux::simulator::scenes::playback::Playback;
use vigilux::simulator::{AppliesTo, FaultKind, FaultRule, Handle, Settings, SimulatedStation, TruthLog, connect};
use vigilux::spectrum::Spectrum;

const START: UtcMicros = UtcMicros(1_782_036_000_000_000);

struct Line {
    clock: Arc<SteppedClock>,
    bench: Handle,
    truth: TruthLog,
    session: Session,
}

fn line(settings: &Settings) -> Line {
    let spectrum = Spectrum { wavelength_nm: vec![200.0, 1200.0], irradiance: vec![0.1, 0.1] };
    let scene = Box::new(Playback::new(&spectrum, SimulatedStation::grid_of(settings)));
    let clock = Arc::new(SteppedClock::new(START));
    let (link, bench) = connect(SimulatedStation::with_scene(settings, START, scene).unwrap(), clock.clone());
    let truth = TruthLog::in_memory();
    bench.with(|b| b.truth = truth.clone());
    let session = Session::new(Box::new(link), clock.clone(), Stop::new(), settings.baud, &SCPI);
    Line { clock, bench, truth, session }
}

impl Line {
    /// Exposes, and panics where the returned exposure differs from the simulator's record.
    fn expose(&mut self, integration_s: f64, shutter: Shutter) -> Result<Exposure, Fault> {
        let since = self.clock.now();
        let e = self.session.expose(integration_s, shutter)?;
        let truth = self.truth.find(e.crc32).expect("an exposure that the bench never made");
        assert!(truth.start >= since, "an old exposure was handed out");
        let late_s = truth.start.seconds_since(e.start);
        // The simulator takes a message at once, a line takes 10 bits a byte: 15 ms for the longest at 115200 baud.
        assert!(late_s.abs() < 0.02, "it began {late_s} s after the stated start");
        assert!(Frame::same_integration(truth.length_s, e.integration_s), "{} s", truth.length_s);
        assert_eq!(truth.shutter_open, shutter == Shutter::Open);
        let payload: Vec<u8> = e.counts.iter().flat_map(|c| (*c as u16).to_be_bytes()).collect();
        assert_eq!(crc32fast::hash(&payload), e.crc32);
        self.truth.drain();
        Ok(e)
    }
}

fn any(kind: FaultKind, probability: f64) -> FaultRule {
    FaultRule { applies_to: AppliesTo::Any, ..FaultRule::often(kind, probability) }
}

/// Session and simulator, which share only the dialect, understand each other.
#[test]
fn the_session_and_the_bench_understand_each_other() {
    let settings = Settings::default();
    let mut line = line(&settings);
    let (identity, detector) = line.session.connect().unwrap();
    assert_eq!(identity.serial, settings.identity.serial);
    assert_eq!((detector.pixels, detector.full_scale), (settings.detector.pixels, settings.detector.full_scale));
    assert_eq!(detector.shielded.count(), 16);
    assert!(detector.has_shutter);
    for (s, shutter) in [(0.01, Shutter::Open), (0.05, Shutter::Closed), (2.0, Shutter::Open), (60.0, Shutter::Closed)]
    {
        let before = line.clock.now();
        let e = line.expose(s, shutter).unwrap();
        assert_eq!((e.rereads, e.counts.len()), (0, detector.pixels));
        assert!(e.temperature_c.is_some());
        let took = line.clock.now().seconds_since(before);
        assert!(took < s + detector.transfer_s + 0.2, "an exposure of {s} s took {took} s");
    }
    assert_eq!(line.session.check_identity().unwrap(), identity);
    assert_eq!((line.session.counters().retries, line.session.counters().unsolicited), (0, 0));
}

/// Each fault of the simulator, on random answers, costs retries and never a wrong exposure.
#[test]
fn each_fault_of_the_line_costs_retries_and_never_a_wrong_exposure() {
    for kind in [
        FaultKind::LateAnswer,
        FaultKind::Pieces,
        FaultKind::NoAnswer,
        FaultKind::DoubledAnswer,
        FaultKind::ShortBlock,
        FaultKind::LongBlock,
        FaultKind::FlippedBit,
        FaultKind::NoiseBefore,
        FaultKind::Restart,
        FaultKind::ErrorQueueFills,
    ] {
        let mut line = line(&Settings::default());
        line.session.connect().unwrap();
        let seconds = if kind == FaultKind::LateAnswer { 4.0 } else { 0.3 };
        line.bench.with(|b| b.set_faults(vec![FaultRule { seconds, ..any(kind, 0.1) }]));
        let mut good = 0;
        for i in 0..150 {
            let shutter = if i % 5 == 0 { Shutter::Closed } else { Shutter::Open };
            match line.expose([0.01, 0.05, 0.2][i % 3], shutter) {
                Ok(_) => good += 1,
                Err(Fault::NoAnswer { .. } | Fault::Corrupt { .. } | Fault::Refused { .. }) => {}
                Err(fault) => panic!("{kind:?}: {fault}"),
            }
        }
        let counters = line.session.counters();
        assert!(good >= 140, "{kind:?}: only {good} of 150, {counters:?}");
        // A second copy that follows at once is detected before the next message is sent.
        let harmless = [FaultKind::Pieces, FaultKind::ErrorQueueFills, FaultKind::DoubledAnswer].contains(&kind);
        assert_eq!(counters.retries == 0, harmless, "{kind:?}: {counters:?}");
        assert!(counters.unsolicited > 0 || kind != FaultKind::DoubledAnswer, "{kind:?}: {counters:?}");
    }
}

/// All faults together, often: every returned exposure happened.
#[test]
fn all_faults_together_never_yield_a_wrong_exposure() {
    let mut line = line(&Settings::default());
    line.session.connect().unwrap();
    let kinds = [
        FaultKind::LateAnswer,
        FaultKind::Pieces,
        FaultKind::NoAnswer,
        FaultKind::DoubledAnswer,
        FaultKind::ShortBlock,
        FaultKind::LongBlock,
        FaultKind::FlippedBit,
        FaultKind::NoiseBefore,
        FaultKind::Restart,
        FaultKind::ErrorQueueFills,
    ];
    line.bench.with(|b| b.set_faults(kinds.map(|kind| FaultRule { seconds: 3.0, ..any(kind, 0.03) }).to_vec()));
    let good = (0..600).filter(|i| line.expose([0.01, 0.02, 0.3][i % 3], Shutter::Open).is_ok()).count();
    assert!(good > 400, "only {good} of 600, {:?}", line.session.counters());
    line.bench.with(|b| b.set_faults(Vec::new()));
    line.clock.advance_to(line.clock.now().plus_seconds(60.0));
    assert_eq!(line.expose(0.1, Shutter::Open).unwrap().rereads, 0);
}

/// A line that hangs up is absent, and the instrument is used again once it is back.
#[test]
fn a_line_that_hangs_up_and_comes_back_serves_again() {
    let mut line = line(&Settings::default());
    line.session.connect().unwrap();
    line.bench.with(|b| b.set_faults(vec![FaultRule { seconds: 20.0, ..FaultRule::at(FaultKind::HangUp, &[1]) }]));
    assert!(matches!(line.expose(0.1, Shutter::Open), Err(Fault::Absent { .. })));
    assert!(matches!(line.session.connect(), Err(Fault::Absent { .. })));
    line.clock.advance_to(line.clock.now().plus_seconds(30.0));
    line.session.connect().unwrap();
    line.expose(0.1, Shutter::Open).unwrap();
    assert_eq!(line.session.counters().reconnects, 1);
}

/// Another instrument on the same line is named, and none of its exposures is returned.
#[test]
fn another_instrument_on_the_line_is_named() {
    let mut line = line(&Settings::default());
    let serial = line.session.connect().unwrap().0.serial;
    line.bench.with(|b| b.set_faults(vec![FaultRule::between(FaultKind::OtherSerial, None, None)]));
    let fault = line.session.check_identity().unwrap_err();
    assert!(
        matches!(&fault, Fault::Identity { expected, found } if *expected == serial && *found != serial),
        "{fault}"
    );
    assert!(matches!(line.expose(0.1, Shutter::Open), Err(Fault::Identity { .. })));
}
