//! `vigilux init`: writes a commented configuration from five questions or their arguments.
//!
//! The text is a sample of `config/` with the values of the site; what a sample invents beside is commented out. Invariants: nothing is
//! replaced without `--force`; what is written passes the parser of the configuration.

use super::questions::{self, Question, Questions};
use super::{Failure, configuration, print};
use crate::clock::{Clock, RealClock, time_zone};
use crate::config::{self, StationKind};
use std::path::{Path, PathBuf};

/// The samples by kind.
const SAMPLES: [(StationKind, &str); 3] = [
    (StationKind::Roof, include_str!("../../config/roof.toml")),
    (StationKind::Glasshouse, include_str!("../../config/glasshouse.toml")),
    (StationKind::Lamp, include_str!("../../config/lamp.toml")),
];

const NAME: Question = Question { argument: "--name", text: "Name of the station", reason: "" };
const POSITION: Question = Question {
    argument: "--position",
    text: "Position: latitude, longitude (north and east positive, degrees) and perhaps the altitude in metres, separated by commas",
    reason: "",
};
const ZONE: Question = Question {
    argument: "--time-zone",
    text: "Time zone, an IANA name such as Europe/Dublin",
    reason: "that of this machine",
};
const MAINS: Question = Question {
    argument: "--mains-hz",
    text: "Mains frequency in hertz: 50 or 60, or 0 where no lamp is driven by the mains",
    reason: "",
};
const LINK: Question = Question {
    argument: "--link",
    text: "Serial port of the instrument",
    reason: "the only serial adapter of this machine",
};

/// Arguments of `init`; what is left out is asked for at a terminal.
#[derive(Clone, Debug, clap::Args)]
pub struct InitArgs {
    /// What the instrument measures: roof (sun and sky), glasshouse (the same under glass, with lamps), lamp (lamps only)
    #[arg(long, value_name = "KIND", value_parser = kind)]
    kind: StationKind,
    /// Name of the station
    #[arg(long, value_name = "TEXT")]
    name: Option<String>,
    /// Latitude, longitude and perhaps altitude: degrees north and east positive, m, separated by commas
    #[arg(long, value_name = "LAT,LON[,ALT]", allow_hyphen_values = true)]
    position: Option<String>,
    /// IANA time zone
    #[arg(long, value_name = "ZONE")]
    time_zone: Option<String>,
    /// Mains frequency [Hz]; 0 where no mains-driven light is seen (always so under kind roof)
    #[arg(long, value_name = "HZ")]
    mains_hz: Option<String>,
    /// Serial port of the instrument
    #[arg(long, value_name = "PATH")]
    link: Option<String>,
    /// The calibration file, which may not exist yet
    #[arg(long, value_name = "FILE", default_value = "calibration.toml")]
    calibration: String,
    /// The file to write
    #[arg(long, value_name = "FILE", default_value = configuration::DEFAULT_FILE)]
    output: PathBuf,
    /// Replace an existing file
    #[arg(long)]
    force: bool,
}

fn kind(text: &str) -> Result<StationKind, String> {
    let found = SAMPLES.iter().map(|(kind, _)| *kind).find(|kind| kind.name() == text);
    found.ok_or_else(|| "expected roof, glasshouse or lamp".to_owned())
}

/// Runs `init`.
pub fn run(args: &InitArgs) -> Result<(), Failure> {
    let output = &args.output;
    if output.exists() && !args.force {
        return Err(Failure::Usage(format!("{}: expected no existing file; --force replaces it", output.display())));
    }
    if output.exists() && !output.is_file() {
        return Err(Failure::Usage(format!("{}: expected a regular file", output.display())));
    }
    let mut stdin = std::io::stdin().lock();
    let mut questions = Questions::new(if Questions::terminal() { Some(&mut stdin) } else { None });
    let site = Site::ask(args, &mut questions);
    let assumed = questions.finish()?;
    // Without a fault every value is there.
    let Some(site) = site else { return Err(Failure::Failed("a value of the site is missing".into())) };
    let text = site.text(args);
    config::parse(output, &text, RealClock::new().now())?;
    std::fs::write(output, &text).map_err(|e| Failure::from_error(&output.display().to_string(), &e))?;
    let name = output.display();
    let mut report = format!("{name} written\n");
    for value in assumed {
        report += &format!("assumed {} {}: {}\n", value.argument, value.value, value.reason);
    }
    report += &format!(
        "Next: read it; make {} (`vigilux calibration import`); then `vigilux check --config {name}`\n",
        args.calibration
    );
    print(&report)
}

/// The answers.
#[derive(Clone, Debug, PartialEq)]
struct Site {
    name: String,
    position: Position,
    time_zone: String,
    mains_hz: f64,
    link: String,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Position {
    latitude_deg: f64,
    longitude_deg: f64,
    altitude_m: f64,
}

impl std::fmt::Display for Position {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}, {}, {}", self.latitude_deg, self.longitude_deg, self.altitude_m)
    }
}

impl Site {
    fn ask(args: &InitArgs, questions: &mut Questions<'_>) -> Option<Self> {
        let name = questions.value(NAME, args.name.as_deref(), None, questions::text);
        let position = questions.value(POSITION, args.position.as_deref(), None, position);
        let machine = machine_zone();
        let zone = |text: &str| match time_zone(text) {
            Some(_) => Ok(text.to_owned()),
            None => Err("expected an IANA time zone such as Europe/Dublin".to_owned()),
        };
        let time_zone = questions.value(ZONE, args.time_zone.as_deref(), machine.as_deref(), zone);
        let mains_hz = match args.kind {
            StationKind::Roof => Some(0.0),
            _ => questions.value(MAINS, args.mains_hz.as_deref(), None, mains),
        };
        let port = only_serial_adapter(Path::new("/dev/serial/by-id"));
        let link = questions.value(LINK, args.link.as_deref(), port.as_deref(), questions::text);
        Some(Self { name: name?, position: position?, time_zone: time_zone?, mains_hz: mains_hz?, link: link? })
    }

    /// The configuration: a sample with these values.
    fn text(&self, args: &InitArgs) -> String {
        let sample = SAMPLES.iter().find(|(kind, _)| *kind == args.kind).map_or("", |(_, text)| *text);
        // The head of a sample speaks of an invented site; its cautions stay.
        let body = sample.find("# CAUTION").map_or(sample, |at| &sample[at..]);
        let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
        let path = if args.output.starts_with("/etc") { "/var/lib/vigilux/vigilux.db" } else { "vigilux.db" };
        let values = [
            ("name", quoted(&self.name)),
            ("latitude_deg", self.position.latitude_deg.to_string()),
            ("longitude_deg", self.position.longitude_deg.to_string()),
            ("altitude_m", self.position.altitude_m.to_string()),
            ("time_zone", quoted(&self.time_zone)),
            ("mains_hz", self.mains_hz.to_string()),
            ("path", quoted(path)),
            ("link", quoted(&self.link)),
            ("calibrations", format!("[{}]", quoted(&args.calibration))),
        ];
        let mut text = format!(
            "# Configuration of a {} station, written by `vigilux init`. Check it with:  vigilux check\n# Relative paths are relative \
             to this file's folder.\n#\n",
            args.kind.name()
        );
        // Each key stands for its first occurrence: the name of the station comes before that of its instrument.
        let mut left: Vec<_> = values.into_iter().collect();
        for line in body.lines() {
            let key = line.split(" = ").next().unwrap_or_default();
            if let Some(at) = left.iter().position(|(k, _)| *k == key) {
                let (key, value) = left.remove(at);
                text += &with_value(line, key, &value);
            } else if ["lamps", "lamp_rating_ppfd"].contains(&key) {
                text += &format!("# {line}");
            } else {
                text += line;
            }
            text.push('\n');
        }
        text
    }
}

/// A line of a sample with another value. A comment on the value of the sample is left out.
fn with_value(line: &str, key: &str, value: &str) -> String {
    let assignment = format!("{key} = {value}");
    match line.split_once('#') {
        Some((_, comment)) if !comment.contains("REPLACE") => format!("{assignment:<34} #{comment}"),
        _ => assignment,
    }
}

fn position(answer: &str) -> Result<Position, String> {
    let expected =
        "expected latitude, longitude and perhaps altitude: degrees from -90 to 90, degrees from -180 to 180, metres";
    let numbers: Option<Vec<f64>> = answer.split(',').map(|part| part.trim().parse().ok()).collect();
    let (latitude_deg, longitude_deg, altitude_m) = match numbers.as_deref() {
        Some([lat, lon]) => (*lat, *lon, 0.0),
        Some([lat, lon, alt]) => (*lat, *lon, *alt),
        _ => return Err(expected.to_owned()),
    };
    let valid = (-90.0..=90.0).contains(&latitude_deg)
        && (-180.0..=180.0).contains(&longitude_deg)
        && (-500.0..=9000.0).contains(&altitude_m);
    if valid { Ok(Position { latitude_deg, longitude_deg, altitude_m }) } else { Err(expected.to_owned()) }
}

fn mains(answer: &str) -> Result<f64, String> {
    match answer.trim().parse::<f64>() {
        Ok(hz) if hz == 0.0 || (40.0..=70.0).contains(&hz) => Ok(hz),
        _ => Err("expected 0, or a mains frequency from 40 to 70 hertz".to_owned()),
    }
}

/// The time zone of this machine, where it is named.
fn machine_zone() -> Option<String> {
    let target = std::fs::read_link("/etc/localtime").ok()?;
    let name = target.to_str()?.split_once("zoneinfo/")?.1.to_owned();
    time_zone(&name).map(|_| name)
}

/// The stable name of the serial adapter, where there is exactly one.
fn only_serial_adapter(folder: &Path) -> Option<String> {
    let mut ports = std::fs::read_dir(folder).ok()?.flatten();
    let first = ports.next()?.path();
    ports.next().is_none().then(|| first.display().to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    #[derive(clap::Parser)]
    struct Line {
        #[command(flatten)]
        args: InitArgs,
    }

    fn args(kind: &str, more: &[&str]) -> InitArgs {
        let line =
            ["init", "--kind", kind, "--name", "My \"best\" site", "--position", "-33.5,-70.6,560", "--time-zone"];
        let line = line.iter().chain(&["America/Santiago", "--link", "/dev/serial/by-id/x"]).chain(more).copied();
        Line::parse_from(line).args
    }

    fn made(args: &InitArgs) -> Result<String, Failure> {
        let mut questions = Questions::new(None);
        let site = Site::ask(args, &mut questions);
        questions.finish().map(|assumed| {
            assert!(assumed.is_empty(), "{assumed:?}");
            site.unwrap().text(args)
        })
    }

    /// For each kind the written file is valid, has the values given and nothing of the invented site, and keeps its comments.
    #[test]
    fn each_kind_gives_a_valid_configuration_with_the_given_values() {
        for (kind, more) in [("roof", &[][..]), ("glasshouse", &["--mains-hz", "50"]), ("lamp", &["--mains-hz", "60"])]
        {
            let text = made(&args(kind, more)).unwrap();
            let config = config::parse(Path::new("here/vigilux.toml"), &text, RealClock::new().now()).unwrap();
            let station = &config.station;
            assert_eq!((station.name.as_str(), station.kind.name()), ("My \"best\" site", kind));
            assert_eq!((station.place.latitude_deg, station.place.altitude_m), (-33.5, 560.0));
            assert_eq!(
                (station.mains_hz, station.lamps_s.len()),
                ([0.0, 50.0, 60.0][SAMPLES.iter().position(|s| s.0 == station.kind).unwrap()], 0)
            );
            assert_eq!(config.store.path, Path::new("here/vigilux.db"));
            assert_eq!(config.instruments[0].link, Path::new("/dev/serial/by-id/x"));
            assert_eq!(config.instruments[0].calibrations, [Path::new("here/calibration.toml")]);
            assert_eq!(config.instruments[0].limits.lamp_rating_ppfd, None);
            for left_over in ["Example", "nvented", "REPLACE"] {
                assert!(!text.contains(left_over), "{kind}: `{left_over}` in\n{text}");
            }
            assert!(text.contains("# CAUTION.") && text.lines().filter(|l| l.contains('#')).count() > 5, "{text}");
        }
    }

    /// What is missing or wrong is named, all together; lamps need the mains frequency.
    #[test]
    fn missing_and_wrong_answers_are_named() {
        let Err(Failure::Usage(text)) = made(&args("lamp", &[])) else { panic!("refused") };
        assert!(text.starts_with("--mains-hz: expected mains frequency in hertz"), "{text}");
        let wrong =
            InitArgs { position: Some("91,0".into()), time_zone: Some("Mars/Olympus".into()), ..args("roof", &[]) };
        let Err(Failure::Usage(text)) = made(&wrong) else { panic!("refused") };
        let lines: Vec<&str> = text.lines().collect();
        assert!(
            lines[0].starts_with("--position: expected latitude") && lines[0].ends_with("but found `91,0`"),
            "{text}"
        );
        assert_eq!(lines[1], "--time-zone: expected an IANA time zone such as Europe/Dublin, but found `Mars/Olympus`");
    }
}
