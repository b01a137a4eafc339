//! A station in a fresh folder: its files, its virtual spectrometer and its daemon as processes, for the tests of this folder.

use rusqlite::types::FromSql;
use rusqlite::{Connection, OpenFlags};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};
use vigilux::clock::{CompressedClock, UtcMicros};

pub const PROGRAM: &str = env!("CARGO_BIN_EXE_vigilux");

/// Longest wait for any event; far longer than needed, because other tests use the processor too.
pub const PATIENCE: Duration = Duration::from_secs(90);

/// A process that ends with the test.
pub struct Process(Child);

impl Process {
    pub fn of(child: Child) -> Self {
        Self(child)
    }

    pub fn signal(&self, name: &str) {
        // The shell's own `kill`: the program of that name is a package which not every machine has.
        let kill = format!("kill -s {name} {}", self.0.id());
        let sent = Command::new("sh").args(["-c", &kill]).status();
        assert!(sent.is_ok_and(|s| s.success()), "the process is there to be signalled");
    }

    pub fn id(&self) -> u32 {
        self.0.id()
    }

    pub fn lives(&mut self) -> bool {
        self.0.try_wait().unwrap().is_none()
    }

    /// Waits until the process ends by itself; more than `longest` is a failure.
    pub fn end_within(&mut self, longest: Duration) -> ExitStatus {
        let begin = Instant::now();
        loop {
            if let Some(status) = self.0.try_wait().unwrap() {
                return status;
            }
            assert!(begin.elapsed() < longest, "expected the process to end within {longest:?}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        // Both fail only where it has ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A running daemon and its lines on stdout.
pub struct Daemon {
    pub process: Process,
    pub lines: Receiver<String>,
}

/// A folder with the files of a station.
pub struct Site {
    folder: tempfile::TempDir,
    clock: String,
}

impl Site {
    /// A roof whose time runs `factor` times faster from a summer morning on, with additional lines of configuration for the
    /// instrument and its schedule.
    pub fn new(factor: f64, instrument: &str, schedule: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let certificate = folder.path().join("certificate.toml");
        let written = Command::new(PROGRAM).args(["simulate", "--certificate"]).arg(&certificate).status().unwrap();
        assert!(written.success());
        let config = format!(
            "version = 1\n[station]\nname = \"Test roof\"\nkind = \"roof\"\nlatitude_deg = 48.0\nlongitude_deg = 11.0\n\
             time_zone = \"Europe/Berlin\"\n[store]\npath = \"station.db\"\n[[instrument]]\nname = \"south\"\n\
             link = \"line\"\ncalibrations = [\"certificate.toml\"]\n{instrument}\n[instrument.schedule]\n{schedule}\n"
        );
        let site = Self { folder, clock: String::new() };
        site.put("station.toml", &config);
        site.put("dark.csv", "wavelength_nm,irradiance_w_m2_nm\n250,0\n1100,0\n");
        site.at("2026-06-21T08:00:00Z", factor)
    }

    /// The same station with its time running `factor` times faster from an instant on.
    pub fn at(mut self, start: &str, factor: f64) -> Self {
        let start = UtcMicros::parse(start).unwrap();
        self.clock = CompressedClock::starting_now(start, factor).argument();
        self
    }

    /// The argument of its time.
    pub fn clock(&self) -> &str {
        &self.clock
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn put(&self, name: &str, text: &str) {
        std::fs::write(self.path(name), text).unwrap();
    }

    /// The program, to be run in the folder.
    pub fn vigilux(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(PROGRAM);
        command.current_dir(self.folder.path()).args(arguments);
        command
    }

    /// Runs it to its end.
    pub fn output(&self, arguments: &[&str]) -> Output {
        self.vigilux(arguments).stdin(Stdio::null()).output().unwrap()
    }

    /// Runs it to its end in the station's own time.
    pub fn output_in_time(&self, arguments: &[&str]) -> Output {
        self.output(&[arguments, &["--compressed-clock", &self.clock]].concat())
    }

    /// Starts a virtual spectrometer at `line`.
    pub fn bench(&self, arguments: &[&str]) -> Process {
        self.bench_at("line", arguments)
    }

    /// Starts a simulated instrument at a symlink.
    pub fn bench_at(&self, link: &str, arguments: &[&str]) -> Process {
        let mut bench = self
            .vigilux(&["simulate", "--link", link, "--compressed-clock", &self.clock])
            .args(arguments)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut first = String::new();
        BufReader::new(bench.stdout.take().unwrap()).read_line(&mut first).unwrap();
        assert!(Path::new(first.trim()).exists(), "expected a pseudo-terminal, but found `{first}`");
        Process(bench)
    }

    /// Starts the daemon.
    pub fn run(&self) -> Daemon {
        self.run_by(self.vigilux(&[]))
    }

    /// Starts the daemon by the given command.
    pub fn run_by(&self, mut command: Command) -> Daemon {
        let log = std::fs::File::options().create(true).append(true).open(self.path("log")).unwrap();
        let mut child = command
            .args(["run", "--config", "station.toml", "--compressed-clock", &self.clock])
            .stdout(Stdio::piped())
            .stderr(log)
            .spawn()
            .unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        let (send, lines) = channel();
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                if send.send(line).is_err() {
                    break;
                }
            }
        });
        Daemon { process: Process(child), lines }
    }

    /// The next acknowledged reading.
    pub fn reading(&self, daemon: &Daemon) -> (i64, UtcMicros) {
        let line = daemon.lines.recv_timeout(PATIENCE);
        acknowledged(&line.unwrap_or_else(|_| panic!("no reading within {PATIENCE:?}; log:\n{}", self.log())))
    }

    pub fn log(&self) -> String {
        std::fs::read_to_string(self.path("log")).unwrap_or_default()
    }

    /// Waits until the log contains a text.
    pub fn logged(&self, text: &str) {
        self.wait_until(text, || self.log().contains(text).then_some(()));
    }

    /// Waits until `ask` returns a result; `what` names it in messages.
    pub fn wait_until<T>(&self, what: &str, mut answer: impl FnMut() -> Option<T>) -> T {
        let begin = Instant::now();
        loop {
            if let Some(answer) = answer() {
                return answer;
            }
            assert!(begin.elapsed() < PATIENCE, "no {what} within {PATIENCE:?}; log:\n{}", self.log());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    pub fn database(&self) -> Connection {
        Connection::open_with_flags(self.path("station.db"), OpenFlags::SQLITE_OPEN_READ_WRITE).unwrap()
    }

    /// The first column of every row of a query.
    pub fn column<T: FromSql>(&self, query: &str) -> Vec<T> {
        let database = self.database();
        let mut statement = database.prepare(query).unwrap();
        statement.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect()
    }

    /// Waits for a gap of a cause; returns its text.
    pub fn gap(&self, cause: &str) -> String {
        let query = format!("SELECT text FROM event WHERE kind = 'gap' AND cause = '{cause}' ORDER BY id DESC LIMIT 1");
        self.wait_until(&format!("gap `{cause}`"), || {
            // The daemon may not have created its tables yet.
            self.path("station.db").exists().then(|| self.database().query_row(&query, [], |r| r.get(0)).ok()).flatten()
        })
    }
}

/// The id and time of an acknowledgement.
pub fn acknowledged(line: &str) -> (i64, UtcMicros) {
    let words: Vec<&str> = line.split(' ').collect();
    match words[..] {
        ["stored", id, time] => (
            id.parse().unwrap_or_else(|_| panic!("no id in `{line}`")),
            UtcMicros::parse(time).unwrap_or_else(|_| panic!("no time in `{line}`")),
        ),
        _ => panic!("expected `stored ID TIME`, but found `{line}`"),
    }
}

/// A command's standard output and standard error.
pub fn texts(output: &Output) -> (String, String) {
    (String::from_utf8_lossy(&output.stdout).into_owned(), String::from_utf8_lossy(&output.stderr).into_owned())
}
