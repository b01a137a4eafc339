//! What looks wrong in the figures of an instrument, and what to try. Pure.

use super::measure::{Light, Measured};

/// One thing that looks wrong.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Finding {
    /// What was seen.
    pub seen: String,
    /// What to try.
    pub advice: String,
}

fn finding(seen: String, advice: &str) -> Finding {
    Finding { seen, advice: advice.to_owned() }
}

/// Change of the light that disturbs the figures [1].
const UNSTEADY: f64 = 0.01;
/// Deviation from linearity that needs a correction [1].
const NONLINEAR: f64 = 0.005;

/// Everything that looks wrong.
pub fn findings(m: &Measured) -> Vec<Finding> {
    let mut found = Vec::new();
    of_line(m, &mut found);
    of_darks(m, &mut found);
    match &m.light {
        Some(light) => of_light(m, light, &mut found),
        None => found.extend(m.no_light.as_ref().map(|why| {
            finding(why.clone(), "change the light until the brightest pixels reach half of full scale within the range of integration times")
        })),
    }
    found
}

fn of_line(m: &Measured, found: &mut Vec<Finding>) {
    if m.rereads > 0 {
        found.push(finding(
            format!("{} of {} exposures had to be read again", m.rereads, m.exposures),
            "shorten or replace the cable, use a powered hub, check the line rate and the ground connection",
        ));
    }
    if m.temperature_c.is_none() {
        found.push(finding(
            "the instrument reports no temperature".into(),
            "darks are matched by age only: set darks.refresh_min to a few minutes, or house the instrument at an even temperature",
        ));
    }
}

fn of_darks(m: &Measured, found: &mut Vec<Finding>) {
    let Some(dark) = &m.dark else {
        found.push(finding(
            "no shutter: offset, dark current and bad pixels were not measured".into(),
            "cover the entrance optic, run the probe again with --covered, and keep both printouts",
        ));
        return;
    };
    let offset = dark.offset_counts.map_or(0.0, |o| o.value);
    if offset < 3.0 * m.read_noise().unwrap_or(0.0) {
        found.push(finding(
            format!("the dark offset of {offset:.1} counts is within the noise of zero: negative noise is cut off"),
            "raise the offset of the converter where the instrument allows it; sums of darks will otherwise be too high",
        ));
    }
    if offset > 0.25 * f64::from(m.detector.full_scale) {
        found.push(finding(
            format!("the dark offset of {offset:.0} counts takes more than a quarter of full scale"),
            "was the entrance really dark, and is full_scale right?",
        ));
    }
    let share = dark.hot.len() as f64 / dark.offset.len().max(1) as f64;
    if share > 0.02 {
        found.push(finding(
            format!("{} hot pixels ({:.1} %)", dark.hot.len(), 100.0 * share),
            "cool the detector or shorten the integration times; hot pixels are corrected by darks and weigh less",
        ));
    }
    if !dark.stuck.is_empty() {
        found.push(finding(
            format!("{} pixels read the same in every dark frame: {}", dark.stuck.len(), some(&dark.stuck)),
            "if they are at one end they are dummy pixels: leave them out in the dialect file",
        ));
    }
    if !m.shielded_wrong.is_empty() {
        found.push(finding(
            format!("{} shielded pixels see light: {}", m.shielded_wrong.len(), some(&m.shielded_wrong)),
            "correct the shielded pixels in the dialect file",
        ));
    }
}

fn of_light(m: &Measured, light: &Light, found: &mut Vec<Finding>) {
    if let Some((deviation, drift)) = light.steadiness
        && (deviation > UNSTEADY || drift.abs() > UNSTEADY)
    {
        found.push(finding(
            format!("the light changed by {:.2} % (standard deviation), {:+.2} % from first to last", 100.0 * deviation, 100.0 * drift),
            "use a lamp on a regulated supply, warmed up for half an hour, and repeat: linearity needs steady light; lamps on alternating \
             current need integration times of whole periods",
        ));
    }
    if let Some(noise) = &light.noise {
        if let Some(correlation) = noise.neighbour_correlation
            && correlation.value > 0.05
            && correlation.differs_from_zero(4.0)
        {
            found.push(finding(
                format!("neighbouring pixels are correlated by {:.2}: the instrument smooths", correlation.value),
                "switch smoothing off in the instrument; read noise comes out too low and electrons per count too high, and so would \
                 every uncertainty",
            ));
        }
        if noise.electrons_per_count.is_none() {
            found.push(finding(
                format!(
                    "the pairs reached {:.0} % of full scale only: electrons per count are unknown",
                    100.0 * noise.highest_level
                ),
                "more light",
            ));
        }
    }
    if let Some(lag) = light.frame_lag
        && lag > 0
    {
        found.push(finding(
            format!("{lag} frame(s) after a change of the integration time still have the old one"),
            "set exposure.discard_frames, as in the section below, or the frame lag in the dialect file",
        ));
    }
    if let Some(linearity) = &light.linearity {
        let at_top = linearity.coefficient.value * linearity.highest_counts;
        if at_top.abs() > NONLINEAR && linearity.coefficient.differs_from_zero(3.0) {
            found.push(finding(
                format!("{:+.1} % of non-linearity at {:.0} counts", 100.0 * at_top, linearity.highest_counts),
                "put the coefficient into [linearity] of the calibration file, unless it already corrects this",
            ));
        }
        let shortest = m.detector.integration_min_s;
        if linearity.time_offset_s.differs_from_zero(3.0) && linearity.time_offset_s.value.abs() > 0.002 * shortest {
            found.push(finding(
                format!(
                    "the detector collects light for {:+.1} µs beyond the stated time",
                    1e6 * linearity.time_offset_s.value
                ),
                "keep integration times above a few hundred times that; this program does not correct it",
            ));
        }
        if linearity.residual > 0.01 {
            found.push(finding(
                format!("single steps deviate by {:.1} % from the fitted law", 100.0 * linearity.residual),
                "unsteady light, or a detector that no single coefficient describes: repeat with a steadier lamp",
            ));
        }
    }
    if let Some(saturation) = &light.saturation
        && saturation.clips
        && saturation.highest_counts < m.detector.full_scale
    {
        found.push(finding(
            format!(
                "counts end at {}, below the stated full scale of {}",
                saturation.highest_counts, m.detector.full_scale
            ),
            "set the full scale in the dialect file to the level that is reached, or saturation would go unseen",
        ));
    }
    if !light.dead.is_empty() {
        found.push(finding(
            format!(
                "{} pixels see less than a third of the light of their neighbours: {}",
                light.dead.len(),
                some(&light.dead)
            ),
            "dust or dead pixels; they are part of the response only if the calibration saw them too",
        ));
    }
}

/// The first few numbers of a list.
pub fn some(list: &[usize]) -> String {
    let text: Vec<String> = list.iter().take(12).map(ToString::to_string).collect();
    let more = if list.len() > 12 { ", …" } else { "" };
    format!("{}{more}", text.join(", "))
}
