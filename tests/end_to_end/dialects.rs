//! The example dialects against the simulated instruments of their manual pages, which share no code with them.
//!
//! Property checked by every test: a returned exposure is one that the instrument made after the call, with the settings it states.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use vigilux::clock::{Clock, RealClock, SteppedClock, Stop, UtcMicros};
use vigilux::dialect::{Dialect, SerialSettings, limitations, load};
use vigilux::fault::Fault;
use vigilux::instrument::{Session, link_to};
use vigilux::record::{Exposure, Shutter};
use vigilux::simulator::scenes::playback::Playback;
use vigilux::simulator::wire::Wire;
use vigilux::simulator::{
    AppliesTo, DeviceKind, FaultKind, FaultRule, Handle, SimulatedStation, TruthLog, connect_device,
};
use vigilux::spectrum::Spectrum;

const START: UtcMicros = UtcMicros(1_782_036_000_000_000);
/// The simulated instruments, with the limitation that their dialect states first.
const KINDS: [(DeviceKind, &str); 4] = [
    (DeviceKind::Brindle, "brindle"),
    (DeviceKind::Karnaby, "karnaby"),
    (DeviceKind::Wisp, "wisp"),
    (DeviceKind::Quern, "quern"),
];

fn dialect(name: &str) -> Arc<Dialect> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("config/dialects/examples/{name}.toml"));
    load::load(&path).unwrap_or_else(|e| panic!("{e}"))
}

struct Line {
    clock: Arc<SteppedClock>,
    device: Handle<Box<dyn Wire>>,
    truth: TruthLog,
    session: Session,
    has_shutter: bool,
}

/// A session in stepped time under steady light.
fn line(kind: DeviceKind, name: &str) -> Line {
    let settings = kind.settings().unwrap();
    let spectrum = Spectrum { wavelength_nm: vec![200.0, 1200.0], irradiance: vec![0.1, 0.1] };
    let scene = Box::new(Playback::new(&spectrum, SimulatedStation::grid_of(&settings)));
    let clock = Arc::new(SteppedClock::new(START));
    let mut station = SimulatedStation::with_scene(&settings, START, scene).unwrap();
    let truth = TruthLog::in_memory();
    station.truth = truth.clone();
    let (link, device) = connect_device(kind.build(station, false), clock.clone());
    let dialect = dialect(name);
    let session = Session::new(Box::new(link), clock.clone(), Stop::new(), dialect.serial.baud, &dialect);
    Line { clock, device, truth, session, has_shutter: false }
}

impl Line {
    fn connect(&mut self) -> Result<String, Fault> {
        let (identity, detector) = self.session.connect()?;
        self.has_shutter = detector.has_shutter;
        Ok(identity.serial)
    }

    /// Exposes, and panics where the returned exposure differs from the simulator's record.
    fn expose(&mut self, integration_s: f64, shutter: Shutter) -> Result<Exposure, Fault> {
        let since = self.clock.now();
        let e = self.session.expose(integration_s, shutter)?;
        let truth = self.truth.find(e.crc32).unwrap_or_else(|| {
            let made: Vec<_> = self.truth.drain().into_iter().map(|t| (t.start, t.length_s, t.crc32)).collect();
            let (first, last) = (&e.counts[..8], &e.counts[e.counts.len() - 8..]);
            panic!(
                "the instrument never made {} from {}: {} pixels {first:?} … {last:?}; it made {made:?}",
                e.crc32,
                e.start,
                e.counts.len()
            )
        });
        assert!(truth.start >= since, "an old exposure was returned: {} before {since}", truth.start);
        let late_s = truth.start.seconds_since(e.start);
        assert!(late_s.abs() < 0.03, "it began {late_s} s after the stated start");
        assert!((truth.length_s - e.integration_s).abs() < 1e-6, "{} s instead of {}", truth.length_s, e.integration_s);
        assert_eq!(truth.shutter_open, shutter == Shutter::Open);
        self.truth.drain();
        Ok(e)
    }
}

#[test]
fn each_example_dialect_reads_the_instrument_of_its_manual() {
    for (kind, name) in KINDS {
        let mut line = line(kind, name);
        let settings = kind.settings().unwrap();
        let serial = line.connect().unwrap_or_else(|fault| panic!("{name}: {fault}"));
        assert_eq!(serial, settings.identity.serial, "{name}");
        for (i, s) in [0.01, 0.2, 0.05, 1.0, 0.05].into_iter().enumerate() {
            let closed = line.has_shutter && i % 2 == 1;
            let shutter = if closed { Shutter::Closed } else { Shutter::Open };
            let e = line.expose(s, shutter).unwrap_or_else(|fault| panic!("{name}, {s} s: {fault}"));
            println!("{name}: {s} s, {} pixels", e.counts.len());
            assert_eq!(e.counts.len(), settings.detector.pixels, "{name}");
            assert_eq!(e.temperature_c.is_some(), name != "wisp", "{name}");
            assert!((e.integration_s - s).abs() < 1e-4, "{name}: {} s", e.integration_s);
        }
        assert_eq!(line.session.counters().retries, 0, "{name}: {:?}", line.session.counters());
        assert_eq!(line.session.check_identity().unwrap().serial, serial);
    }
}

/// Faults of the line on random answers cost retries and never a wrong exposure. Only of the text and the packet instrument: a late answer
/// silences the free-running one for so long that too few exposures remain, and the registers have faults in the closed loop only.
#[test]
fn faults_of_the_line_cost_retries_and_never_a_wrong_exposure() {
    for (kind, name) in [(DeviceKind::Brindle, "brindle"), (DeviceKind::Karnaby, "karnaby")] {
        for fault in [
            FaultKind::LateAnswer,
            FaultKind::Pieces,
            FaultKind::NoAnswer,
            FaultKind::DoubledAnswer,
            FaultKind::ShortBlock,
            FaultKind::LongBlock,
            FaultKind::FlippedBit,
            FaultKind::NoiseBefore,
            FaultKind::LostBytes,
            FaultKind::EarlierAnswer,
            FaultKind::Restart,
        ] {
            let mut line = line(kind, name);
            line.connect().unwrap_or_else(|e| panic!("{name}, {fault:?}: {e}"));
            let rule = FaultRule { applies_to: AppliesTo::Any, seconds: 3.0, ..FaultRule::often(fault, 0.01) };
            line.device.with(|station| station.set_faults(vec![rule]));
            let mut good = 0;
            for i in 0..25 {
                let shutter = if line.has_shutter && i % 5 == 0 { Shutter::Closed } else { Shutter::Open };
                match line.expose([0.01, 0.05, 0.2][i % 3], shutter) {
                    Ok(_) => good += 1,
                    Err(Fault::NoAnswer { .. } | Fault::Corrupt { .. } | Fault::Refused { .. }) => {}
                    Err(e) => panic!("{name}, {fault:?}: {e}"),
                }
            }
            assert!(good >= 20, "{name}, {fault:?}: only {good} of 25, {:?}", line.session.counters());
        }
    }
}

/// A simulated instrument as a process of its own.
struct Process {
    child: Child,
    address: String,
}

impl Process {
    fn start(name: &str, tcp: bool) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_vigilux"));
        command.args(["simulate", "--device", name]).stdout(Stdio::piped());
        if tcp {
            command.args(["--tcp", "127.0.0.1:0"]);
        }
        let mut child = command.spawn().unwrap();
        let mut address = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut address).unwrap();
        let address = address.trim().to_owned();
        let address = if tcp && !address.starts_with("tcp://") { format!("tcp://{address}") } else { address };
        Self { child, address }
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Over a pseudo-terminal and over TCP, in real time; Modbus has its TCP form there.
#[test]
fn each_example_dialect_works_over_a_terminal_and_over_tcp() {
    for (_, name) in KINDS {
        for tcp in [false, true] {
            let process = Process::start(name, tcp);
            let dialect = dialect(name);
            let (clock, stop) = (Arc::new(RealClock::new()), Stop::new());
            let settings = SerialSettings { ..dialect.serial };
            let link = link_to(Path::new(&process.address), settings, clock.clone(), stop.clone());
            let mut session = Session::new(link, clock, stop, dialect.serial.baud, &dialect);
            session.connect().unwrap_or_else(|fault| panic!("{name}, {}: {fault}", process.address));
            for s in [0.02, 0.05] {
                let e = session.expose(s, Shutter::Open).unwrap_or_else(|fault| panic!("{name}: {fault}"));
                assert!((e.integration_s - s).abs() < 1e-4 && !e.counts.is_empty(), "{name}: {e:?}");
            }
            session.disconnect();
        }
    }
}

#[test]
fn a_dialect_states_what_it_cannot_do() {
    let missing = |name: &str| -> Vec<&str> { limitations::of(&dialect(name)).iter().map(|l| l.missing).collect() };
    assert!(missing("brindle").is_empty() && missing("karnaby").is_empty());
    assert!(missing("wisp").contains(&"checksum of frames") && missing("wisp").contains(&"shutter"));
    assert_eq!(missing("quern"), ["tag of answers"]);
}
