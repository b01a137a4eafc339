//! The acquisition loop against the simulator, through the dialect, in stepped time, with the truth of every exposure.
#![allow(dead_code, reason = "each test binary uses a part of it")]

use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;
use vigilux::acquisition::LinkMaker;
use vigilux::acquisition::assemble::{Daemon, assemble};
use vigilux::acquisition::{AcquisitionLoop, Observer};
use vigilux::clock::{Clock, SteppedClock, Stop, UtcMicros};
use vigilux::config::{self, Setup};
use vigilux::instrument::Link;
use vigilux::processing::ProcessedReading;
use vigilux::quantities;
use vigilux::record::{Event, Flag, Frame, Reading};
use vigilux::simulator::DeviceKind;
use vigilux::simulator::comparison::Comparison;
use vigilux::simulator::inprocess::{Handle, InProcessLink, connect_device};
use vigilux::simulator::light::Light;
use vigilux::simulator::scenes::Scene;
use vigilux::simulator::settings::Settings;
use vigilux::simulator::simulated_station::SimulatedStation;
use vigilux::simulator::truth::{TruthLog, TruthRecord};
use vigilux::simulator::wire::Wire;

/// One stored reading beside its truth.
pub struct Row {
    /// The stored reading.
    pub reading: Reading,
    /// The true value of every quantity, in the order of the registry.
    pub truth: Vec<Option<f64>>,
}

impl Row {
    /// The stored value.
    pub fn value(&self, id: &str) -> Option<f64> {
        self.reading.values[index(id)].value()
    }
    /// The stated standard uncertainty.
    pub fn uncertainty(&self, id: &str) -> Option<f64> {
        match &self.reading.values[index(id)] {
            vigilux::record::QuantityValue::Value { uncertainty, .. } => Some(*uncertainty),
            vigilux::record::QuantityValue::Null(_) => None,
        }
    }
    /// Whether the stored value is good.
    pub fn is_good(&self, id: &str) -> bool {
        self.reading.values[index(id)].is_good()
    }
    /// The true value.
    pub fn true_value(&self, id: &str) -> Option<f64> {
        self.truth[index(id)]
    }
    /// Stored minus true.
    pub fn error(&self, id: &str) -> Option<f64> {
        Some(self.value(id)? - self.true_value(id)?)
    }
    /// The sun's elevation [degrees].
    pub fn sun(&self) -> f64 {
        self.reading.sun_elevation.unwrap_or(f64::NAN)
    }
    /// Whether a flag is raised on the reading or on any of its values.
    pub fn has(&self, flag: Flag) -> bool {
        let mut values = self.reading.values.iter().zip(&self.reading.quantity_flags);
        self.reading.flags.has(flag) || values.any(|(value, flags)| value.value().is_some() && flags.has(flag))
    }
    /// For messages.
    pub fn describe(&self, id: &str) -> String {
        format!(
            "{} sun {:.1}° {id} got {:?} want {:?} flags {:?} brackets {:?} T {:?}",
            self.reading.time_mid,
            self.sun(),
            self.value(id),
            self.true_value(id),
            self.reading.flags,
            self.reading.exposures,
            self.reading.detector_temperature
        )
    }
}

/// Position of a quantity in the registry.
pub fn index(id: &str) -> usize {
    quantities::index_of(id).unwrap_or_else(|| panic!("no quantity `{id}`"))
}

/// A station and its simulator in stepped time.
pub struct Loop {
    pub clock: Arc<SteppedClock>,
    pub handle: Handle<Box<dyn Wire>>,
    pub station: Daemon,
    pub setup: Setup,
    pub rows: Vec<Row>,
    pub events: Vec<Event>,
    truth: TruthLog,
    comparison: Comparison,
    /// Light that replaces that of the truth log.
    steady: Option<(Box<dyn Scene>, Light)>,
    link: Option<InProcessLink<Box<dyn Wire>>>,
    acquisition: Option<AcquisitionLoop>,
    _folder: tempfile::TempDir,
}

impl Loop {
    /// A station as `config` has it (without `[store]`, and with the instrument's `calibrations` left out) from `start`.
    pub fn new(bench: &Settings, config: &str, start: &str) -> Self {
        Self::of(DeviceKind::default(), bench, config, start)
    }

    /// The same with another simulated instrument; `config` names its dialect.
    pub fn of(kind: DeviceKind, bench: &Settings, config: &str, start: &str) -> Self {
        let start = UtcMicros::parse(start).expect("the test names an instant");
        let clock = Arc::new(SteppedClock::new(start));
        let mut world = SimulatedStation::new(bench, start).expect("the test's bench is right");
        let truth = TruthLog::in_memory();
        world.truth = truth.clone();
        let certificate = vigilux::simulator::certificate::certificate(bench).expect("a certificate can be written");
        let (link, handle) = connect_device(kind.build(world, false), Arc::clone(&clock));
        let folder = temporary_folder();
        let path = folder.path().join("station.toml");
        std::fs::write(folder.path().join("certificate.toml"), certificate).expect("the folder can be written");
        let config = config.replace("[[instrument]]", "[[instrument]]\ncalibrations = [\"certificate.toml\"]");
        std::fs::write(&path, config).expect("the folder can be written");
        let setup = config::load(&path, start).unwrap_or_else(|why| panic!("the test's configuration is wrong: {why}"));
        let shared: Arc<dyn Clock> = Arc::clone(&clock) as Arc<dyn Clock>;
        // The loop asks for its link once; the in-process one is passed through this.
        let unused: LinkMaker = Arc::new(|_: &Stop| -> Box<dyn Link> { unreachable!("replaced below") });
        let station = assemble(&setup, &shared, |_| Arc::clone(&unused), || Some(true)).expect("the store opens");
        let rule = setup.config.station.source_rule();
        Self {
            clock,
            handle,
            station,
            setup,
            rows: Vec::new(),
            events: Vec::new(),
            truth,
            comparison: Comparison::new(rule),
            steady: None,
            link: Some(link),
            acquisition: None,
            _folder: folder,
        }
    }

    /// Compares with the light of the same scene whose lamps do not ripple, over the same exposures. The truth log has the ripple
    /// of each exposure in it, which a reading is to average out.
    pub fn compare_without_ripple(mut self, bench: &Settings) -> Self {
        let mut scene = bench.scene.clone();
        scene.lamps_ripple = 0.0;
        scene.lamp_ripple = 0.0;
        let grid = SimulatedStation::grid_of(bench);
        let steady = scene.build(grid, bench.seed, self.clock.now()).expect("the test's bench is right");
        self.steady = Some((steady, Light::dark(grid)));
        self
    }

    /// Runs the loop until an instant.
    pub fn run_until(&mut self, until: &str) {
        let until = UtcMicros::parse(until).expect("the test names an instant");
        self.run_to(until);
    }

    /// Runs the loop for some hours.
    pub fn run_hours(&mut self, hours: f64) {
        let until = self.clock.now().plus_seconds(hours * 3600.0);
        self.run_to(until);
    }

    fn run_to(&mut self, until: UtcMicros) {
        if self.acquisition.is_none() {
            let link = std::sync::Mutex::new(Some(self.link.take().unwrap_or_else(|| self.handle.link(&self.clock))));
            let mut context = self.station.loops[0].clone();
            // After a restart the ticks before it are not the new loop's.
            context.assembled = self.clock.now();
            context.link = Arc::new(move |_: &Stop| -> Box<dyn Link> {
                Box::new(link.lock().expect("no panic held it").take().expect("the loop asks once"))
            });
            self.acquisition = Some(AcquisitionLoop::new(&context, Stop::new()));
        }
        let mut watcher = Watcher {
            truth: &self.truth,
            comparison: &mut self.comparison,
            steady: &mut self.steady,
            rows: &mut self.rows,
            events: &mut self.events,
            pending: HashMap::new(),
        };
        let acquisition = self.acquisition.as_mut().expect("made above");
        acquisition.run(&mut watcher, Some(until)).unwrap_or_else(|why| panic!("the loop ended: {why}"));
    }

    /// Ends the loop as a restart of the daemon would; the next run starts another one on the same database and simulator.
    pub fn restart(&mut self) {
        self.acquisition = None;
    }

    /// Rows with the sun above some degrees.
    pub fn above(&self, degrees: f64) -> Vec<&Row> {
        self.rows.iter().filter(|r| r.sun() > degrees).collect()
    }
}

struct Watcher<'a> {
    truth: &'a TruthLog,
    comparison: &'a mut Comparison,
    steady: &'a mut Option<(Box<dyn Scene>, Light)>,
    rows: &'a mut Vec<Row>,
    events: &'a mut Vec<Event>,
    pending: HashMap<u32, TruthRecord>,
}

impl Observer for Watcher<'_> {
    fn stored(&mut self, id: i64, processed: &ProcessedReading, frames: &[Frame]) {
        for mut record in self.truth.drain() {
            if let Some((scene, light)) = self.steady {
                scene.mean_light(record.start, record.length_s, light);
                record.irradiance_w_m2_nm = light.total();
            }
            self.pending.insert(record.crc32, record);
        }
        let truth = match &processed.reduced {
            Some(reduced) => self
                .comparison
                .truth(reduced, frames, |crc| self.pending.get(&crc))
                .unwrap_or_else(|| panic!("reading {id}: no truth for one of its exposures")),
            None => vec![None; processed.reading.values.len()],
        };
        self.pending.clear();
        self.rows.push(Row { reading: processed.reading.clone(), truth });
    }
    fn event(&mut self, event: &Event) {
        self.events.push(event.clone());
    }
}

/// A folder in memory where the machine has one, because the disk is not under test.
pub fn temporary_folder() -> tempfile::TempDir {
    let memory = Path::new("/dev/shm");
    let made = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() };
    made.expect("a temporary folder can be made")
}

/// Share of rows that satisfy a condition.
pub fn share(rows: &[&Row], holds: impl Fn(&Row) -> bool) -> f64 {
    rows.iter().filter(|r| holds(r)).count() as f64 / rows.len().max(1) as f64
}

/// Every good value must lie within `allowed(truth)` of the truth; returns the absolute errors relative to the truth.
pub fn assert_good_within(rows: &[&Row], id: &str, allowed: impl Fn(f64) -> f64) -> Vec<f64> {
    let mut relative = Vec::new();
    let mut wrong = Vec::new();
    for row in rows.iter().filter(|r| r.is_good(id)) {
        let (Some(error), Some(truth)) = (row.error(id), row.true_value(id)) else { continue };
        relative.push((error / truth).abs());
        if !(error.abs() <= allowed(truth)) {
            wrong.push(row.describe(id));
        }
    }
    assert!(
        wrong.is_empty(),
        "{} good values of {id} are wrong, the first of them:\n{}",
        wrong.len(),
        wrong[..wrong.len().min(8)].join("\n")
    );
    relative
}

/// The value below which a share of the numbers lies.
pub fn quantile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let at = ((values.len() as f64 * share).ceil() as usize).clamp(1, values.len()) - 1;
    values[at]
}

/// Number of rows for each flag or reason that keeps values from being good, for messages.
pub fn why_not_good(rows: &[&Row], id: &str) -> String {
    let mut counts: std::collections::BTreeMap<String, (usize, f64, f64)> = std::collections::BTreeMap::new();
    for row in rows.iter().filter(|r| !r.is_good(id)) {
        let key = match &row.reading.values[index(id)] {
            vigilux::record::QuantityValue::Null(reason) => format!("null: {reason}"),
            _ => row.reading.flags_of(index(id)).names().join(" "),
        };
        let entry = counts.entry(key).or_insert((0, f64::INFINITY, f64::NEG_INFINITY));
        *entry = (entry.0 + 1, entry.1.min(row.sun()), entry.2.max(row.sun()));
    }
    counts.iter().map(|(k, (n, lo, hi))| format!("{n:>5} x {k} (sun {lo:.1} to {hi:.1})\n")).collect()
}
