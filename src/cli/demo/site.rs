//! The demo's invented site: its files and its day.

use super::DemoArgs;
use crate::clock::UtcMicros;
use crate::simulator::settings::Settings;
use std::io;
use std::path::{Path, PathBuf};

/// Names of the files.
pub const DATABASE: &str = "station.db";
pub const BENCH: &str = "bench.toml";
pub const LINE: &str = "spectrometer";
pub const TRUTH: &str = "truth.jsonl";
const CERTIFICATE: &str = "certificate.toml";
const STATION: &str = "station.toml";

/// The day that is played.
pub struct Site {
    /// First instant: the evening before, so that darks and warm-up are done when the sun comes.
    pub begin: UtcMicros,
    /// Last instant.
    pub end: UtcMicros,
    /// The configuration file.
    pub config: PathBuf,
}

impl Site {
    /// Length of the played span [s].
    pub fn length_s(&self) -> f64 {
        self.end.seconds_since(self.begin)
    }
}

/// Writes bench file, certificate and configuration.
pub fn write(dir: &Path, args: &DemoArgs) -> io::Result<Site> {
    let sky = clap::ValueEnum::to_possible_value(&args.sky).map(|v| v.get_name().to_owned()).unwrap_or_default();
    let bench = format!(
        "# The virtual spectrometer of the demo: an invented instrument on an invented roof.\n\
         seed = {}\n\n[scene]\nkind = \"roof\"\nsky = \"{sky}\"\nlatitude_deg = 47.6\nlongitude_deg = 9.2\naltitude_m = 420\n",
        args.seed
    );
    std::fs::write(dir.join(BENCH), &bench)?;
    // 01:00 to 22:30 of local daylight-saving time around midsummer.
    let (begin, end) = (UtcMicros(1_782_082_800_000_000), UtcMicros(1_782_160_200_000_000));
    let settings = Settings::parse(&bench).map_err(io::Error::other)?;
    std::fs::write(
        dir.join(CERTIFICATE),
        crate::simulator::certificate::certificate(&settings).map_err(io::Error::other)?,
    )?;
    let config = dir.join(STATION);
    std::fs::write(&config, station())?;
    Ok(Site { begin, end, config })
}

fn station() -> String {
    format!(
        r#"# The station of the demo. Site and instrument are invented.
version = 1

[station]
name = "Example roof (demo)"
kind = "roof"
latitude_deg = 47.6
longitude_deg = 9.2
altitude_m = 420
time_zone = "Europe/Zurich"

[store]
path = "{DATABASE}"

[[instrument]]
name = "roof"
link = "{LINE}"
calibrations = ["{CERTIFICATE}"]

[instrument.schedule]
cron = "0 */5 * * * *"
"#
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Regression: the day is the one the comment says.
    #[test]
    fn the_day_is_midsummer() {
        let args = DemoArgs { dir: None, sky: Default::default(), seed: 1, seconds: 90.0 };
        let dir = tempfile::tempdir().unwrap();
        let site = write(dir.path(), &args).unwrap();
        assert_eq!(site.begin.to_string(), "2026-06-21T23:00:00Z");
        assert_eq!(site.end.to_string(), "2026-06-22T20:30:00Z");
    }
}
