//! The pseudo-terminal, opened as an ordinary serial port.

use super::*;
use crate::clock::RealClock;
use crate::simulator::device::Device;
use crate::simulator::faults::{FaultKind, FaultRule};
use crate::simulator::settings::Settings;
use crate::simulator::simulated_station::SimulatedStation;
use std::io::{Read, Write};
use std::sync::mpsc;
use std::thread::JoinHandle;

/// A simulator served in a thread.
struct Served {
    stop: Stop,
    thread: Option<JoinHandle<Result<(), PtyError>>>,
    paths: mpsc::Receiver<String>,
    link: PathBuf,
    _dir: tempfile::TempDir,
}

impl Served {
    fn start(settings: Settings) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let link = dir.path().join("meter");
        let stop = Stop::new();
        let (tell, paths) = mpsc::channel();
        let thread = std::thread::spawn({
            let (stop, link) = (stop.clone(), link.clone());
            move || {
                let clock = RealClock::new();
                let mut device = Device::new(SimulatedStation::new(&settings, clock.now()).unwrap());
                serve(&mut device, &clock, Some(&link), &stop, |path| tell.send(path.to_owned()).unwrap())
            }
        });
        Self { stop, thread: Some(thread), paths, link, _dir: dir }
    }

    fn open(&self) -> TTYPort {
        TTYPort::open(&serialport::new(self.link.to_string_lossy(), 115_200).timeout(Duration::from_secs(5))).unwrap()
    }

    fn end(&mut self) {
        self.stop.request();
        self.thread.take().unwrap().join().unwrap().unwrap();
    }
}

fn read_line(port: &mut TTYPort) -> String {
    let mut line = Vec::new();
    let mut byte = [0];
    while byte[0] != b'\n' {
        port.read_exact(&mut byte).unwrap();
        line.push(byte[0]);
    }
    String::from_utf8(line).unwrap()
}

#[test]
fn a_serial_port_receives_a_block_at_the_line_rate() {
    let mut served = Served::start(Settings { baud: 921_600, ..Settings::default() });
    let path = served.paths.recv_timeout(Duration::from_secs(5)).unwrap();
    assert_eq!(std::fs::read_link(&served.link).unwrap(), Path::new(&path));
    let mut port = served.open();
    port.write_all(b"*IDN?\n").unwrap();
    assert_eq!(read_line(&mut port), "Vigilux,Virtual-2048,VB-0001,1.0\n");
    let began = std::time::Instant::now();
    port.write_all(b"FORM UINT,16;:READ?\n").unwrap();
    let mut answer = vec![0; 4103];
    port.read_exact(&mut answer).unwrap();
    let took = began.elapsed().as_secs_f64();
    assert!(answer.starts_with(b"#44096") && answer.ends_with(b"\n"));
    assert!(took >= 0.0445, "4103 bytes at 921600 baud take 44.5 ms at least, these took {took} s");
    port.write_all(b"FETC:CRC?\n").unwrap();
    assert_eq!(read_line(&mut port).trim(), crc32fast::hash(&answer[6..4102]).to_string());
    served.end();
    assert!(std::fs::symlink_metadata(&served.link).is_err(), "the symlink is gone");
}

#[test]
fn a_hang_up_closes_the_port_and_the_symlink_points_to_the_next() {
    let fault = vec![FaultRule { seconds: 0.2, ..FaultRule::at(FaultKind::HangUp, &[1]) }];
    let mut served = Served::start(Settings { fault, ..Settings::default() });
    served.paths.recv_timeout(Duration::from_secs(5)).unwrap();
    let mut port = served.open();
    port.write_all(b"READ?\n").unwrap();
    let mut byte = [0];
    let error = loop {
        match port.read(&mut byte) {
            Ok(n) if n > 0 => {}
            Ok(_) => panic!("nothing was read"),
            Err(error) => break error,
        }
    };
    assert_ne!(error.kind(), ErrorKind::TimedOut, "{error}");
    drop(port);
    let mut port = (0..100)
        .find_map(|_| {
            std::thread::sleep(Duration::from_millis(50));
            let builder = serialport::new(served.link.to_string_lossy(), 115_200).timeout(Duration::from_secs(5));
            TTYPort::open(&builder).ok()
        })
        .unwrap();
    port.write_all(b"*OPC?\n").unwrap();
    assert_eq!(read_line(&mut port), "1\n");
    served.end();
}

#[test]
fn a_file_is_not_replaced_by_the_symlink() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("precious");
    std::fs::write(&path, "data").unwrap();
    let Err(error) = Symlink::create(&path, "/dev/pts/0") else { panic!("replaced") };
    assert!(error.to_string().contains("no symlink"), "{error}");
    assert_eq!(std::fs::read_to_string(&path).unwrap(), "data");
}
