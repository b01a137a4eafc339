//! The `[[instrument]]` section of a configuration, with the figures of a probe, and the lines for its calibration file. Pure.

use super::measure::Measured;
use super::report::shown;
use crate::record::DarkSource;
use std::fmt::Write as _;

/// Where the instrument was found.
#[derive(Clone, Debug)]
pub struct Found<'a> {
    /// Path or address of its line.
    pub link: &'a str,
    /// Line rate [baud].
    pub baud: u32,
    /// Its dialect, as the configuration names it.
    pub dialect: &'a str,
}

/// The section as TOML, with uncertainties (k = 2) in comments.
pub fn section(m: &Measured, found: &Found<'_>) -> String {
    let mut out = String::new();
    // Writing to a string cannot fail.
    let _ = write_section(&mut out, m, found);
    out
}

fn write_section(out: &mut String, m: &Measured, found: &Found<'_>) -> std::fmt::Result {
    let d = &m.detector;
    let serial: String =
        m.identity.serial.chars().map(|c| if c.is_alphanumeric() || "-_".contains(c) { c } else { '-' }).collect();
    writeln!(out, "[[instrument]]")?;
    writeln!(out, "name = \"{}\"  # choose one; it names the instrument in the database", serial.to_lowercase())?;
    writeln!(out, "link = {}", toml::Value::from(found.link))?;
    writeln!(out, "baud = {}", found.baud)?;
    writeln!(out, "dialect = {}", toml::Value::from(found.dialect))?;
    writeln!(
        out,
        "calibrations = [\"calibration/{serial}.toml\"]  # the certificate of serial number {}",
        m.identity.serial
    )?;
    writeln!(out, "\n[instrument.exposure]")?;
    let milliseconds = |s: f64| (s * 1e6).round() / 1e3;
    writeln!(out, "integration_min_ms = {}", milliseconds(d.integration_min_s))?;
    writeln!(out, "integration_max_ms = {}", milliseconds(d.integration_max_s.min(10.0)))?;
    if let Some(lag) = m.light.as_ref().and_then(|l| l.frame_lag) {
        writeln!(out, "discard_frames = {lag}")?;
    }
    writeln!(out, "\n[instrument.darks]")?;
    let sources: Vec<String> = DarkSource::ALL
        .into_iter()
        .filter(|s| d.has_shutter || *s != DarkSource::Shutter)
        .map(|s| format!("\"{}\"", s.name()))
        .collect();
    writeln!(out, "sources = [{}]", sources.join(", "))?;
    if m.temperature_c.is_none() {
        writeln!(out, "refresh_min = 5  # without a temperature darks are matched by age only")?;
    }
    calibration(out, m)
}

/// Lines of the calibration file that the probe has measured.
fn calibration(out: &mut String, m: &Measured) -> std::fmt::Result {
    writeln!(out, "\n# For the calibration file; ± is the expanded uncertainty (k = 2).")?;
    writeln!(out, "# [noise]")?;
    let light = m.light.as_ref();
    let noise = light.and_then(|l| l.noise.as_ref());
    let read = noise.and_then(|n| n.read_noise_counts).or(m.dark_noise.as_ref().and_then(|n| n.read_noise_counts));
    let gain = noise.and_then(|n| n.electrons_per_count);
    let smooths =
        noise.and_then(|n| n.neighbour_correlation).is_some_and(|c| c.value > 0.05 && c.differs_from_zero(4.0));
    let caution = if smooths { "; WRONG while the instrument smooths" } else { "" };
    match gain {
        Some(e) => writeln!(out, "# electrons_per_count = {:.4}  # {}{caution}", e.value, shown(gain, 1.0, "").trim())?,
        None => writeln!(out, "# electrons_per_count =  # not determined")?,
    }
    match read {
        Some(e) => writeln!(out, "# read_noise_counts = {:.3}  # {}{caution}", e.value, shown(read, 1.0, "").trim())?,
        None => writeln!(out, "# read_noise_counts =  # not determined")?,
    }
    let full = f64::from(m.detector.full_scale);
    let linear = light.and_then(|l| l.saturation.as_ref()).and_then(|s| s.linear_up_to_counts);
    let fraction = linear.map_or(0.95, |c| (c / full - 0.02).clamp(0.5, 0.95));
    let basis = if linear.is_some() { "below the level up to which counts are linear" } else { "assumed" };
    writeln!(out, "# saturation_fraction = {fraction:.2}  # {basis}")?;
    writeln!(out, "# [linearity]")?;
    match light.and_then(|l| l.linearity.as_ref()) {
        Some(l) => writeln!(
            out,
            "# coefficients = [1.0, {:.4e}]  # {}",
            l.coefficient.value,
            shown(Some(l.coefficient), 1e6, "·10⁻⁶ per count")
        ),
        None => writeln!(out, "# coefficients = [1.0]  # not determined: linearity assumed"),
    }
}
