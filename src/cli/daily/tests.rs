use super::*;
use crate::config;
use std::collections::BTreeMap;
use std::path::Path;

const STATION: &str = r#"
version = 1
[station]
name = "Example glasshouse"
kind = "glasshouse"
latitude_deg = 56.3
longitude_deg = 9.7
time_zone = "Europe/Copenhagen"
day_starts_at = "04:00"
mains_hz = 50
lamps = ["06:00-20:00"]
[[instrument]]
name = "canopy"
link = "/dev/ttyUSB0"
calibrations = ["c.toml"]
"#;

/// A station with two days: a complete one with all figures, and a partial one with its light integral only.
fn two_days() -> (Config, Rules, Vec<Days>) {
    let config = config::parse(Path::new("a.toml"), STATION, UtcMicros(0)).unwrap();
    let rules = Rules::of(&config.station);
    let day = |date: &str, data_coverage: f64, figures: BTreeMap<String, Figure>| {
        let bounds = rules.day_on(date.parse().unwrap());
        Day {
            date: date.into(),
            starts: bounds.starts,
            ends: bounds.ends,
            readings: 1440,
            references: 2,
            data_coverage,
            partial: data_coverage < 1.0,
            figures,
            verdicts: QUANTITIES.iter().map(|q| ((*q).to_owned(), [1400, 30, 10, 0])).collect(),
            flags: [("low_sun".to_owned(), 30)].into(),
        }
    };
    let value = |value: f64, uncertainty: Option<f64>, data_coverage: Option<f64>, time: Option<&str>| Figure::Value {
        value,
        uncertainty,
        suspect_share: 0.04,
        data_coverage,
        time: time.map(|t| UtcMicros::parse(t).unwrap()),
    };
    let noon = Some("2026-06-21T11:15:04Z");
    let all = FIGURES.iter().map(|f| {
        let figure = match f.id {
            "light_integral" => value(42.3456, Some(0.62), Some(1.0), None),
            "ppfd_maximum" => value(1890.4, Some(20.0), None, noon),
            "uv_index_maximum" => value(7.06, Some(0.2), None, noon),
            "lux_hours" => value(820_123.0, Some(8000.0), Some(1.0), None),
            "lamps_share" => value(0.154, Some(0.001), Some(1.0), None),
            _ => value(12.25, None, None, None),
        };
        (f.id.to_owned(), figure)
    });
    let some = FIGURES.iter().map(|f| match f.id {
        "light_integral" => (f.id.to_owned(), value(3.2, Some(0.05), Some(0.9999), None)),
        _ => (f.id.to_owned(), Figure::Null { reason: "no value, \"none\" at all".into() }),
    });
    let days = vec![day("2026-06-21", 1.0, all.collect()), day("2026-06-22", 0.9999, some.collect())];
    let found = vec![Days { instrument: "canopy, south".into(), days }];
    (config, rules, found)
}

#[test]
fn a_day_is_a_line_with_units_above_and_notes_below() {
    let (config, rules, found) = two_days();
    let now = UtcMicros::parse("2026-06-22T12:00:00Z").unwrap();
    let text = table::text(&config, &rules, &found, false, now);
    for want in [
        "Example glasshouse, canopy, south: days from 04:00 in the standard time of Europe/Copenhagen",
        "date             light int. lamps' photo-   h >   max ppfd  dusk  known  sus-",
        "                mol m⁻² d⁻¹  share period level         at  R:FR of day  pect",
        "2026-06-21       42.3 ± 1.2    15%   12.2  12.2 1890 13:15 12.25   100%    4%",
        "2026-06-22*   ≥ 3.20 ± 0.10      -      -     -          -     -  99.9%    4%",
        "2 days: ≥ 45.5 ± 1.3 mol m⁻²",
        "2 days: ≥ 12.2 SED",
        "*: so far; the day has not ended",
        "lamps on 06:00-20:00 local clock time",
        "≥: the day is partial; its sums cover what was measured (`known of day`)",
    ] {
        assert!(text.lines().any(|l| l == want), "no line `{want}` in\n{text}");
    }
    let long = |l: &&str| l.chars().count() > 80 && !l.starts_with("Example glasshouse");
    assert!(text.lines().find(long).is_none(), "{text}");
    let wide = table::text(&config, &rules, &found, true, UtcMicros(0));
    let want = "2026-06-21       42.3 ± 1.2    15%   12.2  12.2 1890 13:15  820.1  12.2  7.1 13:15 12.25   100%    4%";
    assert!(wide.lines().any(|l| l == want) && !wide.contains('*'), "{wide}");
    let none = table::text(&config, &rules, &[Days { instrument: "canopy".into(), days: vec![] }], false, now);
    assert!(none.ends_with("no reading in this range\n"), "{none}");
    assert_eq!(table::text(&config, &rules, &[], false, now), "Example glasshouse: no instrument stored yet\n");
}

#[test]
fn json_carries_every_figure_with_unit_or_reason() {
    let (config, rules, found) = two_days();
    let json = json_of(&config, &rules, &found);
    let days = &json["instruments"][0]["days"];
    assert_eq!(json["instruments"][0]["instrument"], "canopy, south");
    assert!(json["caution"].as_str().unwrap().contains("no risk group"));
    assert_eq!(
        days[0]["figures"]["light_integral"],
        json!({ "value": 42.3456, "uncertainty": 0.62, "unit": "mol m-2 d-1", "suspect_share": 0.04, "data_coverage": 1.0 })
    );
    assert_eq!(days[0]["figures"]["ppfd_maximum"]["time"], "2026-06-21T11:15:04Z");
    assert_eq!(
        days[1]["figures"]["photoperiod"],
        json!({ "value": null, "unit": "h", "reason": "no value, \"none\" at all" })
    );
    assert_eq!(
        (&days[0]["starts"], &days[0]["ends"]),
        (&json!("2026-06-21T03:00:00Z"), &json!("2026-06-22T03:00:00Z"))
    );
    assert_eq!(days[0]["verdicts"]["uv_index"], json!({ "good": 1400, "suspect": 30, "bad": 10, "null": 0 }));
    assert_eq!((&days[1]["partial"], &days[1]["flags"]["low_sun"]), (&json!(true), &json!(30)));
    for info in FIGURES {
        assert_eq!(days[0]["figures"][info.id]["unit"], info.unit);
        assert_eq!(json["definitions"][info.id], info.definition);
    }
}

#[test]
fn csv_rows_have_the_fields_of_the_header() {
    let (config, rules, found) = two_days();
    let text = csv_of(&config, &rules, &found);
    let (comments, rows): (Vec<&str>, Vec<&str>) = text.lines().partition(|l| l.starts_with('#'));
    assert!(comments.contains(&"# station: Example glasshouse"));
    assert!(comments.contains(&"# light_integral [mol m-2 d-1]: daily light integral: ppfd over the day"));
    assert!(comments.iter().any(|l| l.contains("no risk group")));
    let header: Vec<&str> = rows[0].split(',').collect();
    // Commas in quotes: one in the instrument's name, twelve reasons with one each.
    let fields = |row: &str| row.split(',').count();
    assert_eq!((fields(rows[1]), fields(rows[2])), (header.len() + 1, header.len() + 13));
    let at = |id: &str| header.iter().position(|h| *h == id).unwrap() + 1;
    let first: Vec<&str> = rows[1].split(',').collect();
    assert_eq!((first[at("light_integral")], first[at("light_integral_uncertainty")]), ("42.3456", "0.62"));
    assert_eq!(first[at("ppfd_maximum_time")], "2026-06-21T11:15:04Z");
    assert_eq!(first[at("illuminance_suspect")], "30");
    assert!(rows[2].contains("\"sun_share: no value, \"\"none\"\" at all; "), "{}", rows[2]);
}

#[test]
fn a_day_is_given_by_date_or_instant() {
    let (_, rules, _) = two_days();
    let now = UtcMicros::parse("2026-06-22T01:00:00Z").unwrap();
    let date = day(When::parse("2026-06-21").unwrap(), &rules, now);
    assert_eq!(day(When::parse("2026-06-22T02:59:59Z").unwrap(), &rules, now), date);
    assert_ne!(day(When::parse("2026-06-22T03:00:00Z").unwrap(), &rules, now), date);
    // 01:00 UTC is before 04:00 of the station: its day is the one that began on the 21st.
    assert_eq!(day(When::DaysBack(0), &rules, now), date);
    assert!(When::parse("21.6.2026").unwrap_err().starts_with("expected an instant as in"));
}
