//! Cuts the power at every point of a record, in several ways, and opens each state with two independent readers.

use crate::disk::{Disk, Image, Policy};
use crate::recording::Entry;
use crate::support::python;
use rand::SeedableRng;
use rand::rngs::SmallRng;
use std::collections::{BTreeMap, HashSet};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::Mutex;
use std::time::{Duration, Instant};
use vigilux::clock::UtcMicros;
use vigilux::record::{Event, EventKind};
use vigilux::store::Store;

/// One state in this many is also opened by the program's own store, which has to continue with it.
const OWN_EVERY: usize = 50;
const SEED: u64 = 20_260_621;

/// Result of a proof.
#[derive(Debug, Default)]
pub struct Outcome {
    /// Points of the record at which the power was cut.
    pub points: usize,
    /// Different states that were checked.
    pub states: usize,
    pub took: Duration,
    /// States that the program's own store opened and wrote to.
    pub continued: usize,
    /// Wrong states by kind of fault; the first few with their text.
    pub wrong: BTreeMap<&'static str, usize>,
    pub examples: Vec<String>,
}

impl Outcome {
    pub fn failures(&self) -> usize {
        self.wrong.values().sum()
    }

    fn wrong(&mut self, point: usize, policy: Policy, why: &str) {
        let class = match why {
            w if w.contains("acknowledged") => "acknowledged reading lost",
            w if w.starts_with("own store") => "own store cannot go on",
            _ => "damaged",
        };
        *self.wrong.entry(class).or_insert(0) += 1;
        if self.examples.len() < 8 {
            self.examples.push(format!("cut at {point}, {policy:?}: {why}"));
        }
    }
}

/// Checks about `wanted` different states; the program's own store only where the columns of its quantities are given.
pub fn examine(entries: &[Entry], reference: &Path, columns: &[(&str, &str)], wanted: usize) -> Outcome {
    let begin = Instant::now();
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(4);
    let points = entries.len() + 1;
    // Some states come up twice and count once, hence a quarter more. A control need not be cut at every point.
    let variants = (wanted * 5 / 4).div_ceil(points).max(2);
    let stride = (2 * points / wanted).max(1);
    let cutter = Cutter {
        entries,
        reference,
        columns,
        variants,
        stride,
        workers,
        seen: Mutex::default(),
        outcome: Mutex::default(),
    };
    std::thread::scope(|scope| {
        for worker in 0..workers {
            let cutter = &cutter;
            scope.spawn(move || cutter.work(worker));
        }
    });
    Outcome { points: points.div_ceil(stride), took: begin.elapsed(), ..cutter.outcome.into_inner().unwrap() }
}

struct Cutter<'a> {
    entries: &'a [Entry],
    reference: &'a Path,
    columns: &'a [(&'a str, &'a str)],
    variants: usize,
    stride: usize,
    workers: usize,
    seen: Mutex<HashSet<u128>>,
    outcome: Mutex<Outcome>,
}

impl Cutter<'_> {
    /// A worker plays back the whole record and cuts at its share of the points.
    fn work(&self, worker: usize) {
        let folder = memory_folder();
        let mut witness = Witness::new(self.reference);
        let mut disk = Disk::default();
        for point in 0..=self.entries.len() {
            let variants = match disk.unsynced() {
                _ if point % self.stride != 0 || point / self.stride % self.workers != worker => 0,
                0 => 1,
                _ => self.variants,
            };
            for variant in 0..variants {
                let policy = policy(point / self.stride * self.variants + variant);
                let seed = SEED ^ ((point as u64) << 20) ^ variant as u64;
                let image = disk.cut(policy, &mut SmallRng::seed_from_u64(seed));
                if self.seen.lock().unwrap().insert(key(&image, disk.acknowledged)) {
                    let said = witness.ask(folder.path(), &image, disk.acknowledged);
                    let own = self.note(point, policy, said);
                    if own {
                        let said = go_on(folder.path(), &image, disk.acknowledged, self.columns);
                        self.note_own(point, policy, said);
                    }
                }
            }
            if let Some(entry) = self.entries.get(point) {
                disk.apply(entry);
            }
        }
    }

    /// Records what the other SQLite found; returns whether the own store checks this state as well.
    fn note(&self, point: usize, policy: Policy, said: Result<(), String>) -> bool {
        let mut outcome = self.outcome.lock().unwrap();
        outcome.states += 1;
        match said {
            Ok(()) => !self.columns.is_empty() && outcome.states.is_multiple_of(OWN_EVERY),
            Err(why) => {
                outcome.wrong(point, policy, &why);
                false
            }
        }
    }

    fn note_own(&self, point: usize, policy: Policy, said: Result<(), String>) {
        let mut outcome = self.outcome.lock().unwrap();
        outcome.continued += 1;
        if let Err(why) = said {
            outcome.wrong(point, policy, &format!("own store: {why}"));
        }
    }
}

fn policy(variant: usize) -> Policy {
    match variant % 6 {
        0 => Policy::NothingMore,
        1 => Policy::Everything,
        n => Policy::Mixed { kept: [10, 50, 90, 97][n - 2] },
    }
}

/// Key of a state.
fn key(image: &Image, acknowledged: i64) -> u128 {
    let mut key = acknowledged as u128;
    for (name, bytes) in image {
        let crc = u128::from(crc32fast::hash(bytes)) << 32 | (bytes.len() as u128) << 4 | name.len() as u128;
        key = key.wrapping_mul(0x2545_f491_4f6c_dd1d_9e37_79b9_7f4a_7c15).wrapping_add(crc);
    }
    key
}

/// A folder in memory where the machine has one, because the states are many and the disk is a model.
pub fn memory_folder() -> tempfile::TempDir {
    let memory = Path::new("/dev/shm");
    let made = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() };
    made.expect("a temporary folder can be made")
}

fn lay_out(folder: &Path, image: &Image) -> PathBuf {
    let database = folder.join("cut.db");
    for name in ["", "-wal", "-journal", "-shm"] {
        let file = PathBuf::from(format!("{}{name}", database.display()));
        match image.get(name) {
            Some(bytes) => std::fs::write(&file, bytes).expect("the state can be laid out"),
            // It may not be there at all.
            None => drop(std::fs::remove_file(&file)),
        }
    }
    database
}

/// The other SQLite.
struct Witness {
    process: Child,
    questions: ChildStdin,
    answers: BufReader<ChildStdout>,
}

impl Witness {
    fn new(reference: &Path) -> Self {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/power_cut/witness.py");
        let mut process = Command::new(python::interpreter())
            .arg(script)
            .arg(reference)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the witness can be called");
        let questions = process.stdin.take().expect("it is piped");
        let answers = BufReader::new(process.stdout.take().expect("it is piped"));
        Self { process, questions, answers }
    }

    fn ask(&mut self, folder: &Path, image: &Image, acknowledged: i64) -> Result<(), String> {
        let database = lay_out(folder, image);
        writeln!(self.questions, "{acknowledged} {}", database.display()).expect("the witness listens");
        let mut answer = String::new();
        self.answers.read_line(&mut answer).expect("the witness answers");
        match answer.trim_end() {
            ok if ok.starts_with("ok ") => Ok(()),
            wrong => Err(wrong.to_owned()),
        }
    }
}

impl Drop for Witness {
    fn drop(&mut self) {
        // The process may have ended by itself.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// The program's own store: opens the state, reads the newest frames and writes.
fn go_on(folder: &Path, image: &Image, acknowledged: i64, columns: &[(&str, &str)]) -> Result<(), String> {
    let store = Store::open_daemon(&lay_out(folder, image), columns).map_err(|e| e.to_string())?;
    let words = |e: vigilux::store::StoreError| e.to_string();
    let newest = store.latest(1).map_err(words)?.pop().map_or(0, |r| r.reading.id);
    if newest < acknowledged {
        return Err(format!("{newest} readings, but {acknowledged} were acknowledged"));
    }
    for id in (newest - 2).max(1)..=newest {
        if store.frames(id).map_err(words)?.is_empty() {
            return Err(format!("reading {id} has no frames"));
        }
    }
    let event = Event {
        time: UtcMicros(0),
        until: None,
        instrument: None,
        kind: EventKind::Started,
        text: "goes on after a power cut".into(),
    };
    store.add_event(&event).map_err(words)?;
    match store.integrity_faults().map_err(words)?.first() {
        None => Ok(()),
        Some(fault) => Err(format!("integrity: {fault}")),
    }
}
