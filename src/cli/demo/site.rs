//! The invented site of the demo: its files and its day.

use super::DemoArgs;
use crate::clock::UtcMicros;
use crate::simulator::settings::Settings;
use std::io;
use std::path::{Path, PathBuf};

/// File names.
pub const DATABASE: &str = "station.db";
pub const SIMULATOR: &str = "simulator.toml";
pub const LINE: &str = "spectrometer";
pub const TRUTH: &str = "truth.jsonl";
const CERTIFICATE: &str = "certificate.toml";
const STATION: &str = "station.toml";
/// What a good laboratory states of a spectrometer that stands on a roof: PPFD at noon within 5 % (k = 2).
const LABORATORY: &str = "[certificate]\nrelative_uncertainty = 0.03\nwavelength_uncertainty_nm = 0.05\nwavelength_variation_nm = 0.03\n\
                          calibrated_on = \"2026-03-01T00:00:00Z\"\nannual_change = 0.01\ncosine_uncertainty = 0.006\n\
                          diffuse_uncertainty = 0.01\nlevelling_deg = 0.3\n";

/// The day of the demo.
pub struct Site {
    /// Start: before sunrise, so that darks and warm-up are finished by then.
    pub begin: UtcMicros,
    /// End.
    pub end: UtcMicros,
    /// The configuration file.
    pub config: PathBuf,
}

impl Site {
    /// Duration [s].
    pub fn length_s(&self) -> f64 {
        self.end.seconds_since(self.begin)
    }
}

/// Writes simulator file, certificate and configuration.
pub fn write(dir: &Path, args: &DemoArgs) -> io::Result<Site> {
    let sky = clap::ValueEnum::to_possible_value(&args.sky).map(|v| v.get_name().to_owned()).unwrap_or_default();
    let simulator = format!(
        "# The virtual spectrometer of the demo: an invented instrument on an invented roof.\n\
         seed = {}\n\n[scene]\nkind = \"roof\"\nsky = \"{sky}\"\nlatitude_deg = 47.6\nlongitude_deg = 9.2\naltitude_m = 420\n\n\
         {LABORATORY}",
        args.seed
    );
    std::fs::write(dir.join(SIMULATOR), &simulator)?;
    // 01:00 to 22:30 of local daylight-saving time around midsummer.
    let (begin, end) = (UtcMicros(1_782_082_800_000_000), UtcMicros(1_782_160_200_000_000));
    let settings = Settings::parse(&simulator).map_err(io::Error::other)?;
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

    #[test]
    fn the_demo_runs_from_local_one_o_clock_at_midsummer() {
        let args = DemoArgs { dir: None, sky: Default::default(), seed: 1, seconds: 90.0 };
        let dir = tempfile::tempdir().unwrap();
        let site = write(dir.path(), &args).unwrap();
        assert_eq!(site.begin.to_string(), "2026-06-21T23:00:00Z");
        assert_eq!(site.end.to_string(), "2026-06-22T20:30:00Z");
    }
}
