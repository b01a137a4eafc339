//! The daemon with a silent device, a device that sends rubbish, another instrument, or no permission: it keeps running, records
//! gaps with their cause, retries with increasing delay, and measures as soon as its instrument is there.

use crate::site::{Daemon, Process, Site};
use serialport::{SerialPort, TTYPort};
use std::io::{Read, Write};
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown, symlink};
use std::os::unix::process::CommandExt;
use std::process::Command;
use std::time::Duration;
use vigilux::clock::UtcMicros;

fn site() -> Site {
    Site::new(240.0, "", "cron = \"0 * * * * *\"")
}

/// Replaces the device at `line` by a virtual spectrometer; the daemon has to read it and continue.
fn goes_on_with_its_instrument(site: &Site, mut daemon: Daemon) -> Process {
    assert!(daemon.process.lives(), "it lives; log:\n{}", site.log());
    let line = site.path("line");
    if line.is_dir() {
        std::fs::remove_dir(&line).unwrap();
    } else if line.symlink_metadata().is_ok() {
        std::fs::remove_file(&line).unwrap();
    }
    let bench = site.bench(&[]);
    site.reading(&daemon);
    let back: Vec<String> = site.column("SELECT text FROM event WHERE kind = 'link_fault' ORDER BY id DESC LIMIT 1");
    assert!(back[0].starts_with("connected to Vigilux,Virtual-2048,VB-0001,"), "{back:?}");
    daemon.process.signal("TERM");
    assert_eq!(daemon.process.end_within(Duration::from_secs(5)).code(), Some(0), "log:\n{}", site.log());
    bench
}

/// A path with nothing behind it, and one that is no serial device.
#[test]
fn it_lives_where_there_is_no_serial_device_and_reads_when_one_appears() {
    let site = site();
    let daemon = site.run();
    let text = site.gap("instrument_absent");
    assert!(text.contains("line: no such device (is it plugged in and switched on?)"), "{text}");
    std::fs::create_dir(site.path("line")).unwrap();
    site.logged("line: expected a serial device, but found a file of another kind");
    // Back-off: half a second, doubled each time, so a try more each time the waiting has doubled, and two lines of log.
    assert_eq!(site.log().matches("; trying again").count(), 2, "{}", site.log());
    goes_on_with_its_instrument(&site, daemon);
}

/// A silent device causes gaps `no_answer` whose text names what to check.
#[test]
fn a_silent_line_is_a_gap_without_an_answer() {
    let site = site();
    let (far, near) = TTYPort::pair().unwrap();
    symlink(near.name().unwrap(), site.path("line")).unwrap();
    let daemon = site.run();
    let text = site.gap("no_answer");
    assert!(text.contains("nothing came (is it switched on, and is 115200 baud its line rate?)"), "{text}");
    // After many attempts the log has reported it once.
    std::thread::sleep(Duration::from_secs(10));
    assert_eq!(site.log().matches("; trying again").count(), 1, "{}", site.log());
    drop((far, near));
    goes_on_with_its_instrument(&site, daemon);
}

/// A device that answers every command with rubbish causes gaps `corrupt_answer`, and no value ever comes of it.
#[test]
fn a_line_of_rubbish_is_a_gap_and_never_a_reading() {
    let site = site();
    let (mut far, near) = TTYPort::pair().unwrap();
    symlink(near.name().unwrap(), site.path("line")).unwrap();
    let device = std::thread::spawn(move || {
        far.set_timeout(Duration::from_millis(100)).unwrap();
        let (mut heard, mut state, mut quiet) = ([0; 512], 7_u32, 0);
        // Ends when no request has arrived for so long that the daemon must have another device.
        while quiet < 100 {
            match far.read(&mut heard) {
                Ok(n) if n > 0 => {
                    quiet = 0;
                    let mut rubbish: Vec<u8> = std::iter::repeat_with(|| {
                        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                        (state >> 24) as u8
                    })
                    .take(200)
                    .collect();
                    rubbish.push(b'\n');
                    // The client may have closed.
                    let _ = far.write_all(&rubbish);
                }
                _ => quiet += 1,
            }
        }
    });
    let daemon = site.run();
    let text = site.gap("corrupt_answer");
    assert!(text.contains("(is 115200 baud its line rate, and does it speak this dialect?)"), "{text}");
    assert_eq!(site.column::<i64>("SELECT count(*) FROM reading"), [0]);
    goes_on_with_its_instrument(&site, daemon);
    drop(near);
    device.join().unwrap();
}

/// An instrument with another serial number than the calibration's is never read.
#[test]
fn another_serial_number_is_a_gap_of_identity() {
    let site = site();
    site.put("other.toml", "[identity]\nserial = \"VB-0002\"\n");
    let other = site.bench(&["--config", "other.toml"]);
    let daemon = site.run();
    let text = site.gap("instrument_identity");
    assert!(text.contains("expected instrument serial number `VB-0001`, but `VB-0002` answers"), "{text}");
    assert_eq!(site.column::<i64>("SELECT count(*) FROM reading"), [0]);
    assert_eq!(site.column::<i64>("SELECT count(*) FROM dark"), [0]);
    drop(other);
    goes_on_with_its_instrument(&site, daemon);
}

/// A cable pulled and put back costs the ticks between, recorded as one gap; readings continue.
#[test]
fn an_instrument_that_goes_away_and_comes_back_is_read_again() {
    let site = site();
    let bench = site.bench(&[]);
    let daemon = site.run();
    let (before, _) = site.reading(&daemon);
    drop(bench);
    let text = site.gap("instrument_absent");
    assert!(text.contains("line: "), "{text}");
    let missed = || -> Option<i64> {
        let rows = site.column("SELECT until - time FROM event WHERE cause = 'instrument_absent'");
        assert!(rows.len() < 2, "one absence is one gap, but found {}", rows.len());
        rows.first().copied()
    };
    site.wait_until("gap of several minutes", || missed().filter(|us| *us >= 180_000_000));
    // Readings acknowledged before the cable was pulled.
    let last = daemon.lines.try_iter().last().map_or(before, |l| crate::site::acknowledged(&l).0);
    let _bench = goes_on_with_its_instrument(&site, daemon);
    let resumed: Vec<i64> = site.column("SELECT id FROM reading ORDER BY id");
    assert!(resumed.contains(&(last + 1)), "ids go on after {last}: {resumed:?}");
    let times: Vec<i64> = site.column("SELECT time_mid FROM reading ORDER BY id");
    assert!(times.is_sorted(), "{:?}", times.iter().map(|t| UtcMicros(*t)).collect::<Vec<_>>());
}

/// A device that the user may not open. The tests may run as root, which no permission stops; the daemon then runs as a user
/// without rights.
#[test]
fn a_port_that_may_not_be_opened_is_absent_and_says_who_may() {
    const NOBODY: u32 = 65_534;
    let site = site();
    let (far, near) = TTYPort::pair().unwrap();
    let device = near.name().unwrap();
    std::fs::set_permissions(&device, std::fs::Permissions::from_mode(0o000)).unwrap();
    symlink(&device, site.path("line")).unwrap();
    let root = std::fs::metadata("/proc/self").unwrap().uid() == 0;
    let daemon = if root {
        let program = site.path("vigilux");
        std::fs::copy(crate::site::PROGRAM, &program).unwrap();
        let folder = program.parent().unwrap();
        for path in [folder.to_owned(), site.path("station.toml"), site.path("certificate.toml")] {
            chown(&path, Some(NOBODY), Some(NOBODY)).unwrap();
        }
        let mut command = Command::new(&program);
        command.current_dir(folder).uid(NOBODY).gid(NOBODY);
        site.run_by(command)
    } else {
        site.run()
    };
    let text = site.gap("instrument_absent");
    assert!(text.contains("no permission to open it"), "{text}");
    // Permission is granted later: the daemon opens the device and gets no answer.
    if root {
        chown(&device, Some(NOBODY), Some(NOBODY)).unwrap();
    }
    std::fs::set_permissions(&device, std::fs::Permissions::from_mode(0o600)).unwrap();
    site.gap("no_answer");
    drop((far, near, daemon));
}
