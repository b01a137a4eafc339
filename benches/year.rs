//! Generates years of one-minute readings as a station would have stored them, for benchmarks.
//!
//! Eight days are measured by the acquisition loop from the simulator: a clear one and one of broken clouds in each season, with
//! bracketing, shutter darks and noise. The year is these days in turn, each the nearest season's; fewer days are spread over it.
//! Of a copy the exposures are moved to its date and every pixel's sum gets a deviation of the noise's size on top, so that
//! no two frames are alike: they take a little more room than real ones, whose noise is smaller by √2. Darks are copied with
//! the day they served. Sun, values, verdicts and flags come from the pipeline, so that every value follows from what is
//! stored. A day begins half an hour after the instrument was switched on, past its warm-up.
//!
//! Readings go in some hundreds a transaction. The file is kept and used again.

use crate::closed_loop::Loop;
use crate::example_station;
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;
use std::collections::BTreeMap;
use std::path::Path;
use vigilux::archive::Recomputer;
use vigilux::calibration::Noise;
use vigilux::clock::UtcMicros;
use vigilux::processing::ProcessedReading;
use vigilux::quantities::registry;
use vigilux::record::DarkReference;
use vigilux::record::{AcquisitionContext, Dark, DriftEstimates, Frame};
use vigilux::simulator::scenes::SkyKind;
use vigilux::simulator::settings::Settings;
use vigilux::store::{FrameRecord, MadeWith, NewInstrument, NewReading, Reader, Store, StoredReading};

const FIRST_DAY: &str = "2026-01-01T00:00:00Z";
/// Days of the year on which a season is taken, with the date it is taken at.
const SEASONS: [(i64, &str); 4] = [(78, "2026-03-20"), (171, "2026-06-21"), (264, "2026-09-22"), (354, "2026-12-21")];
/// Readings a transaction.
const AT_ONCE: usize = 240;

/// Generates a database of this many days at a path unless it exists.
pub fn make(path: &Path, days: i64) {
    if path.exists() {
        return;
    }
    let folder = path.parent().expect("a folder");
    std::fs::create_dir_all(folder).expect("the folder can be made");
    let part = path.with_extension("part");
    let _ = std::fs::remove_file(&part);
    Year::new(&part).fill(days);
    std::fs::rename(&part, path).expect("the file gets its name");
}

/// Beginning of the `k`th day.
pub fn begin_of(k: i64, days: i64) -> UtcMicros {
    UtcMicros::parse(FIRST_DAY).expect("a time").plus_seconds(86_400.0 * apart(k, days) as f64)
}

/// Days from the first to the `k`th. Fewer days than a year are spread over it, so that they have its seasons.
fn apart(k: i64, days: i64) -> i64 {
    if days < 365 { k * 365 / days } else { k }
}

/// A measured day.
struct Template {
    /// Keeps the folder of its database.
    _station: Loop,
    reader: Reader,
    begin: UtcMicros,
    readings: Vec<StoredReading>,
    darks: Vec<Dark>,
    noise: Noise,
    /// Numbers of dark models in the year's database, by their numbers in the day's.
    models: BTreeMap<i64, i64>,
}

struct Year {
    templates: Vec<Template>,
    store: Store,
    made_with: MadeWith,
    again: Recomputer,
    rng: Pcg64Mcg,
}

impl Year {
    fn new(path: &Path) -> Self {
        let skies = [SkyKind::Clear, SkyKind::Broken];
        let dates = SEASONS.iter().flat_map(|(_, date)| skies.map(|sky| (date, sky)));
        let templates: Vec<Template> = dates.map(|(date, sky)| Template::take(date, sky)).collect();
        let columns: Vec<(&str, &str)> = registry().iter().map(|q| (q.id, q.unit)).collect();
        let store = Store::open_daemon(path, &columns).expect("a new database");
        let (taken, begin) = (&templates[0], begin_of(0, 1));
        let instrument = taken.reader.instruments().expect("instruments").remove(0);
        let new = NewInstrument {
            name: &instrument.name,
            serial: &instrument.serial,
            identity: &instrument.identity,
            detector: &instrument.detector,
        };
        let instrument = store.register_instrument(&new, begin).expect("a row");
        let calibration = taken.reader.calibrations().expect("calibrations").remove(0);
        let configuration = taken.reader.configurations().expect("configurations").remove(0);
        let computation = taken.reader.computations().expect("computations").remove(0);
        let made_with = MadeWith {
            instrument,
            calibration: Some(
                store
                    .register_calibration(instrument, &calibration.name, &calibration.text, None, begin)
                    .expect("a row"),
            ),
            configuration: store.register_configuration(&configuration.text, begin).expect("a row"),
            computation: store.register_computation(&computation.text, begin).expect("a row"),
        };
        Self { templates, store, made_with, again: Recomputer::new(), rng: Pcg64Mcg::seed_from_u64(1) }
    }

    fn fill(&mut self, days: i64) {
        for k in 0..days {
            let day = apart(k, days) % 365;
            let from = |season: &(i64, &str)| (day - season.0).abs().min(365 - (day - season.0).abs());
            let season = (0..SEASONS.len()).min_by_key(|k| from(&SEASONS[*k])).expect("four seasons");
            self.day(2 * season + (k % 2) as usize, begin_of(k, days));
        }
    }

    /// Copies a day to a date.
    fn day(&mut self, template: usize, begin: UtcMicros) {
        let t = &mut self.templates[template];
        let shift = begin.0 - t.begin.0;
        let mut darks = BTreeMap::new();
        for dark in &t.darks {
            let copy = Dark { id: 0, source: dark.source, frame: copied(&dark.frame, shift, &t.noise, &mut self.rng) };
            darks.insert(dark.id, self.store.add_dark(self.made_with.instrument, &copy).expect("a dark is stored"));
        }
        for some in t.readings.chunks(AT_ONCE) {
            let mut made: Vec<(ProcessedReading, Vec<FrameRecord>, AcquisitionContext)> =
                Vec::with_capacity(some.len());
            for stored in some {
                let mut frames = t.reader.frames(stored.reading.id).expect("frames");
                for record in &mut frames {
                    record.frame = copied(&record.frame, shift, &t.noise, &mut self.rng);
                    record.dark = match record.dark {
                        DarkReference::Matched { dark, model } => DarkReference::Matched {
                            dark: darks[&dark],
                            model: model.map(|m| {
                                model_here(&self.store, self.made_with.instrument, &t.reader, &mut t.models, m)
                            }),
                        },
                        DarkReference::Model(m) => DarkReference::Model(model_here(
                            &self.store,
                            self.made_with.instrument,
                            &t.reader,
                            &mut t.models,
                            m,
                        )),
                        DarkReference::None => DarkReference::None,
                    };
                }
                // What monitors knew of the day that was taken does not hold for the copy.
                let about = AcquisitionContext { drift: DriftEstimates::default(), ..stored.about };
                let like = StoredReading { made_with: self.made_with, about, ..stored.clone() };
                let calibration = self.made_with.calibration;
                let processed = self.again.recompute_with(&self.store, &like, &frames, calibration).expect("a reading");
                made.push((processed, frames, about));
            }
            let new: Vec<NewReading<'_>> = made
                .iter()
                .map(|(processed, frames, about)| NewReading {
                    reading: &processed.reading,
                    made_with: self.made_with,
                    about: *about,
                    frames,
                    events: &[],
                    saved_states: &[],
                })
                .collect();
            self.store.commit_readings(&new).expect("readings are stored");
        }
    }
}

/// A dark model of a measured day, in the database of the year.
fn model_here(store: &Store, instrument: i64, reader: &Reader, known: &mut BTreeMap<i64, i64>, id: i64) -> i64 {
    *known.entry(id).or_insert_with(|| {
        let model = reader.dark_model(id).expect("dark models").expect("a dark model");
        store.add_dark_model(instrument, model.fitted_at, &model.blob).expect("a model is stored")
    })
}

impl Template {
    fn take(date: &str, sky: SkyKind) -> Self {
        let mut bench = Settings::default();
        bench.scene.sky = sky;
        bench.certificate.valid_from = "2025-01-01T00:00:00Z".into();
        bench.certificate.valid_until = "2030-01-01T00:00:00Z".into();
        let begin = UtcMicros::parse(&format!("{date}T00:00:00Z")).expect("a time");
        let mut station = Loop::new(&bench, example_station::STATION, &begin.plus_seconds(-1800.0).to_string());
        station.run_hours(24.5);
        let reader = Reader::open(&station.setup.config.store.path).expect("the database opens");
        let all = reader.readings(begin, begin.plus_seconds(86_400.0)).expect("readings");
        let readings = all.map(|r| r.expect("a reading")).collect();
        let instrument = reader.instruments().expect("instruments")[0].id;
        let darks = reader.darks(instrument, UtcMicros(i64::MIN)).expect("darks");
        let darks = darks.into_iter().map(|d| d.expect("a dark")).collect();
        let noise = station.setup.calibrations[0].entries().next().expect("a calibration").1.noise.clone();
        Self { _station: station, reader, begin, readings, darks, noise, models: BTreeMap::new() }
    }
}

/// A frame moved in time, with noise on top.
fn copied(frame: &Frame, shift: i64, noise: &Noise, rng: &mut Pcg64Mcg) -> Frame {
    let mut copy = frame.clone();
    for stamp in &mut copy.stamps {
        stamp.start = UtcMicros(stamp.start.0 + shift);
    }
    let n = frame.stamps.len() as f64;
    let lowest = f64::from(frame.sums.iter().copied().min().unwrap_or(0));
    for (pixel, sum) in copy.sums.iter_mut().enumerate() {
        if frame.clipped.contains(pixel) {
            continue;
        }
        let signal = f64::from(*sum) - lowest;
        let variance = n * noise.read_noise_counts * noise.read_noise_counts + signal / noise.electrons_per_count;
        let deviation: f64 = StandardNormal.sample(rng);
        *sum = (f64::from(*sum) + deviation * variance.sqrt()).round().max(0.0) as u32;
    }
    copy
}
