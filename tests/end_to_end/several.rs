//! Several instruments on one host: one that never answers delays no other.

use crate::site::Site;
use std::collections::BTreeMap;
use std::time::Duration;

/// Number of instruments; the fourth never answers.
const INSTRUMENTS: usize = 8;
const DEAD: usize = 3;
/// Time between two ticks [s].
const INTERVAL_S: i64 = 20;

fn configuration() -> String {
    let station = "version = 1\n[station]\nname = \"Test roof\"\nkind = \"roof\"\nlatitude_deg = 48.0\nlongitude_deg = 11.0\n\
                   time_zone = \"Europe/Berlin\"\n[store]\npath = \"station.db\"\n";
    let instrument = |i: usize| {
        format!(
            "[[instrument]]\nname = \"i{i}\"\nlink = \"line{i}\"\ncalibrations = [\"certificate{i}.toml\"]\nwarm_up_min = 0\n\
             [instrument.schedule]\ncron = \"*/{INTERVAL_S} * * * * *\"\n"
        )
    };
    (0..INSTRUMENTS).map(instrument).fold(station.to_owned(), |all, one| all + &one)
}

#[test]
fn one_dead_instrument_of_eight_delays_no_other() {
    let site = Site::new(4.0, "", "cron = \"0 * * * * *\"");
    site.put("station.toml", &configuration());
    let _instruments: Vec<_> = (0..INSTRUMENTS)
        .map(|i| {
            let fault = "[[fault]]\nkind = \"no_answer\"\nprobability = 1.0\napplies_to = \"any\"\n";
            let file = format!("i{i}.toml");
            site.put(&file, &format!("[identity]\nserial = \"VB-000{i}\"\n{}", if i == DEAD { fault } else { "" }));
            let certificate = format!("certificate{i}.toml");
            let written = site.output(&["simulate", "--config", &file, "--certificate", &certificate]);
            assert!(written.status.success(), "{written:?}");
            site.bench_at(&format!("line{i}"), &["--config", &file])
        })
        .collect();
    let mut daemon = site.run();
    for _ in 0..(INSTRUMENTS - 1) * 7 {
        site.reading(&daemon);
    }
    daemon.process.signal("TERM");
    assert_eq!(daemon.process.end_within(Duration::from_secs(10)).code(), Some(0), "log:\n{}", site.log());
    let mut of: BTreeMap<String, Vec<i64>> = BTreeMap::new();
    let rows = "SELECT i.name || ' ' || r.time_mid FROM reading r JOIN instrument i ON i.id = r.instrument ORDER BY r.time_mid";
    for row in site.column::<String>(rows) {
        let (name, time) = row.split_once(' ').expect("a name and a time");
        of.entry(name.to_owned()).or_default().push(time.parse().expect("microseconds"));
    }
    assert!(of.len() == INSTRUMENTS - 1 && of.values().all(|times| times.len() >= 5), "{of:?}\nlog:\n{}", site.log());
    assert!(!of.contains_key(&format!("i{DEAD}")), "the dead instrument has readings");
    for (name, times) in &of {
        // The first reading also takes the first darks; from then on every tick has its reading, soon after it.
        let ticks: Vec<i64> = times.iter().skip(2).map(|t| t.div_euclid(INTERVAL_S * 1_000_000)).collect();
        assert!(ticks.windows(2).all(|w| w[1] == w[0] + 1), "{name} missed a tick: {times:?}\nlog:\n{}", site.log());
    }
    let causes: Vec<String> = site.column("SELECT DISTINCT cause FROM event WHERE kind = 'gap' AND cause IS NOT NULL");
    assert!(causes.iter().any(|c| c == "no_answer"), "{causes:?}");
}
