//! The example dialects against the simulated instruments of their manual pages, which share no code with them.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use vigilux::clock::{RealClock, Stop};
use vigilux::dialect::{Dialect, limitations, load};
use vigilux::instrument::{Session, link_to};
use vigilux::record::Shutter;

/// The simulated instruments.
const NAMES: [&str; 4] = ["brindle", "karnaby", "wisp", "quern"];

fn dialect(name: &str) -> Arc<Dialect> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("config/dialects/examples/{name}.toml"));
    load::load(&path).unwrap_or_else(|e| panic!("{e}"))
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
    for name in NAMES {
        for tcp in [false, true] {
            let process = Process::start(name, tcp);
            let dialect = dialect(name);
            let (clock, stop) = (Arc::new(RealClock::new()), Stop::new());
            let link = link_to(Path::new(&process.address), dialect.serial, clock.clone(), stop.clone());
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
