//! The figures of an instrument as text. Pure.
//!
//! Uncertainties are printed expanded (k = 2: coverage about 95 %).

use super::estimate::Estimate;
use super::findings::{Finding, some};
use super::measure::{Light, Measured};
use std::fmt::Write as _;

/// Label and text of one line.
fn line(out: &mut String, label: &str, text: &str) {
    // Writing to a string cannot fail.
    let _ = writeln!(out, "{label:<22}{text}");
}

/// A number with its expanded uncertainty, in a unit of which there are `scale` in one.
pub fn shown(estimate: Option<Estimate>, scale: f64, unit: &str) -> String {
    let Some(e) = estimate else { return "not determined".into() };
    let (value, expanded) = (e.value * scale, 2.0 * e.uncertainty * scale);
    // Two digits of the uncertainty.
    let digits = if expanded > 0.0 { (1.0 - expanded.log10().floor()).clamp(0.0, 12.0) as usize } else { 3 };
    format!("{value:.digits$} ± {expanded:.digits$} {unit}")
}

/// Everything that was measured and found.
pub fn text(m: &Measured, findings: &[Finding]) -> String {
    let mut out = String::new();
    let id = &m.identity;
    line(
        &mut out,
        "identity",
        &format!("{}, {}, serial number {}, firmware {}", id.maker, id.model, id.serial, id.firmware),
    );
    let d = &m.detector;
    let shutter = if d.has_shutter { "shutter" } else { "no shutter" };
    line(
        &mut out,
        "detector",
        &format!(
            "{} pixels, {} of them shielded, full scale {} counts, {shutter}",
            d.pixels,
            d.shielded.count(),
            d.full_scale
        ),
    );
    line(&mut out, "integration times", &format!("{} s to {} s", d.integration_min_s, d.integration_max_s));
    line(&mut out, "beyond integration", &shown(m.transfer_s, 1e3, "ms an exposure (transfer, settings, checks)"));
    line(&mut out, "temperature", &m.temperature_c.map_or_else(|| "no sensor".into(), |t| format!("{t:.2} °C")));
    of_darks(&mut out, m);
    match &m.light {
        Some(light) => of_light(&mut out, light, d.full_scale),
        None => line(&mut out, "light", m.no_light.as_deref().unwrap_or("not measured")),
    }
    line(&mut out, "exposures", &format!("{}, {} of them read again", m.exposures, m.rereads));
    out.push_str("\nwhat looks wrong\n");
    if findings.is_empty() {
        out.push_str("  nothing\n");
    }
    for finding in findings {
        let _ = writeln!(out, "  - {}\n    try: {}", finding.seen, finding.advice);
    }
    out
}

fn of_darks(out: &mut String, m: &Measured) {
    let Some(dark) = &m.dark else { return };
    line(
        out,
        "dark offset",
        &format!(
            "{}, pattern {:.1} counts (standard deviation over pixels)",
            shown(dark.offset_counts, 1.0, "counts"),
            dark.offset_pattern_counts
        ),
    );
    line(out, "dark current", &shown(dark.rate_counts_per_s, 1.0, "counts/s (median pixel)"));
    if let Some(noise) = &m.dark_noise {
        line(out, "noise in the dark", &shown(noise.read_noise_counts, 1.0, "counts"));
    }
    for (label, pixels) in [("hot pixels", &dark.hot), ("noisy pixels", &dark.noisy), ("stuck pixels", &dark.stuck)] {
        let text = if pixels.is_empty() { "none".into() } else { format!("{}: {}", pixels.len(), some(pixels)) };
        line(out, label, &text);
    }
}

fn of_light(out: &mut String, light: &Light, full_scale: u32) {
    line(
        out,
        "light",
        &format!(
            "{:.0} % of full scale in {:.4} s; steady light is assumed below",
            100.0 * light.level,
            light.integration_s
        ),
    );
    let steady = light.steadiness.map_or_else(
        || "not checked".into(),
        |(s, drift)| {
            format!("standard deviation {:.3} %, drift {:+.3} % over the linearity series", 100.0 * s, 100.0 * drift)
        },
    );
    line(out, "steadiness", &steady);
    let lag = light.frame_lag.map_or_else(|| "not determined".into(), |n| format!("{n} frames"));
    line(out, "frame lag", &lag);
    if let Some(noise) = &light.noise {
        line(out, "electrons per count", &shown(noise.electrons_per_count, 1.0, "(variance of differences of pairs)"));
        line(out, "read noise", &shown(noise.read_noise_counts, 1.0, "counts"));
        line(out, "correlated neighbours", &shown(noise.neighbour_correlation, 1.0, "(0 without smoothing)"));
    }
    match &light.linearity {
        Some(l) => {
            line(out, "linearity", &format!("c = {}", shown(Some(l.coefficient), 1e6, "·10⁻⁶ per count")));
            line(
                out,
                "",
                &format!(
                    "{:+.2} % at {:.0} counts, largest rest {:.2} %",
                    100.0 * l.coefficient.value * l.highest_counts,
                    l.highest_counts,
                    100.0 * l.residual
                ),
            );
            line(
                out,
                "",
                "from integration times only: effects of the rate of light stay unseen (try two levels of light)",
            );
            line(out, "time offset", &shown(Some(l.time_offset_s), 1e6, "µs"));
        }
        None => line(out, "linearity", "not determined"),
    }
    if let Some(s) = &light.saturation {
        let end = if s.clips { "clipped there" } else { "not certain to be clipped" };
        let linear = s.linear_up_to_counts.map_or_else(String::new, |c| format!(", linear within 1 % up to {c:.0}"));
        line(
            out,
            "saturation",
            &format!(
                "highest count {} of {full_scale} ({} pixels, {end}){linear}",
                s.highest_counts, s.pixels_at_highest
            ),
        );
    }
    let dead =
        if light.dead.is_empty() { "none".into() } else { format!("{}: {}", light.dead.len(), some(&light.dead)) };
    line(out, "dead pixels", &dead);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_printed_with_two_digits_of_its_expanded_uncertainty() {
        let e = |value, uncertainty| Estimate::new(value, uncertainty);
        assert_eq!(shown(e(3.0217, 0.0061), 1.0, "e"), "3.022 ± 0.012 e");
        assert_eq!(shown(e(1234.5, 8.0), 1.0, "counts"), "1234 ± 16 counts");
        assert_eq!(shown(e(-6.02e-7, 1.1e-8), 1e6, "·10⁻⁶"), "-0.602 ± 0.022 ·10⁻⁶");
        assert_eq!(shown(None, 1.0, "counts"), "not determined");
    }
}
