//! Statistics of the darkness test: what neighbouring pixels of a frame have in common.
//!
//! Dark current and offset differ from pixel to pixel at random, by a lot in hot pixels; light through a slit is smooth over
//! the pixels. Neighbours are correlated, and long waves along the axis are measured: dark pixels have nothing in common, lit
//! ones have the spectrum. Single lines are found as runs of pixels that stand out together. No noise figure is needed,
//! since the scatter of the pixels is the noise. Levels are left to [`super::darkness`].

use super::rejection::DarkRejection;
use crate::numeric::upper_median;

/// Reaches over which neighbours are correlated [pixels]: lines and bands.
const REACHES: [usize; 2] = [4, 16];
/// Correlation of neighbours, in standard deviations of what chance makes of it, from which on a frame is lit.
const NEIGHBOURS_LIMIT: f64 = 6.0;
/// Half-waves along the axis that a whole sky is made of, up to so many.
const WAVES: usize = 6;
/// Sum of squares of the waves' amplitudes, in standard deviations, from which on a frame is lit: χ² of 6 degrees of
/// freedom passes it in 3 of a million dark frames.
const WAVES_LIMIT: f64 = 36.0;
/// Pixels farther from the middle than this many standard deviations count only as far (hot pixels).
const WINSOR: f64 = 3.0;
/// A run of so many pixels …
const RUN: usize = 8;
/// … of which all but one stand out by so many standard deviations is a lamp's line.
const RUN_DEVIATIONS: f64 = 2.0;

/// Whether the pixels that see light have nothing in common. residual: counts per exposure less what is known of the detector; open:
/// the pixels to judge, ascending; read_noise: of the residual [counts].
pub fn test_structure(residual: &[f64], open: &[usize], read_noise: f64) -> Result<(), DarkRejection> {
    structure(&scaled(residual, open, read_noise), open)
}

/// The pixels that see light about their middle, over the scatter of single pixels [1].
fn scaled(residual: &[f64], open: &[usize], read_noise: f64) -> Vec<f64> {
    // Differences of neighbours give the scatter of single pixels whatever the light's course.
    let differences = open.windows(2).map(|w| (residual[w[1]] - residual[w[0]]).abs()).collect();
    let scatter = (median(differences) * 1.4826 / std::f64::consts::SQRT_2).max(0.1 * read_noise).max(1e-6);
    // Even and odd pixels may have amplifiers, and so levels, of their own.
    let middle = |parity: usize| median(open.iter().filter(|i| **i % 2 == parity).map(|i| residual[*i]).collect());
    let middles = [middle(0), middle(1)];
    open.iter().map(|i| (residual[*i] - middles[i % 2]) / scatter).collect()
}

fn structure(scaled: &[f64], open: &[usize]) -> Result<(), DarkRejection> {
    let n = scaled.len();
    let bounded: Vec<f64> = scaled.iter().map(|r| r.clamp(-WINSOR, WINSOR)).collect();
    let mean = bounded.iter().sum::<f64>() / n as f64;
    let centred: Vec<f64> = bounded.iter().map(|r| r - mean).collect();
    let variance = (centred.iter().map(|r| r * r).sum::<f64>() / n as f64).max(1e-12);
    let mut sums = vec![0.0];
    sums.extend(centred.iter().scan(0.0, |sum, r| {
        *sum += r;
        Some(*sum)
    }));
    // The pixel in the middle of the brightest span of `span` pixels, to tell a person where to look.
    let brightest = |span: usize| {
        let light = |i: &usize| sums[i + span] - sums[*i];
        open[(0..n - span).max_by(|a, b| light(a).total_cmp(&light(b))).unwrap_or(0) + span / 2]
    };
    for reach in REACHES.into_iter().filter(|r| r * 8 <= n) {
        let deviations = neighbours(&centred, &sums, reach) / variance;
        if deviations > NEIGHBOURS_LIMIT {
            return Err(DarkRejection::Lit { deviations, limit: NEIGHBOURS_LIMIT, pixel: brightest(reach) });
        }
    }
    let waves = waves(&centred) / variance;
    if waves > WAVES_LIMIT {
        return Err(DarkRejection::Lit {
            deviations: waves.sqrt(),
            limit: WAVES_LIMIT.sqrt(),
            pixel: brightest(n / WAVES),
        });
    }
    let stands_out = |run: &&[f64]| run.iter().filter(|r| **r > RUN_DEVIATIONS).count() + 1 >= RUN;
    if let Some((k, run)) = scaled.windows(RUN).enumerate().find(|(_, run)| stands_out(run)) {
        let deviations = run.iter().sum::<f64>() / (RUN as f64).sqrt();
        let limit = RUN_DEVIATIONS * (RUN as f64).sqrt();
        return Err(DarkRejection::Lit { deviations, limit, pixel: open[k + RUN / 2] });
    }
    Ok(())
}

/// Sum of the products of all pairs of pixels up to `reach` apart, over the root of their number: one standard deviation
/// of chance is the pixels' variance. `sums` are the running sums of `centred`, beginning with 0.
fn neighbours(centred: &[f64], sums: &[f64], reach: usize) -> f64 {
    let n = centred.len();
    let (mut common, mut pairs) = (0.0, 0.0);
    for (i, r) in centred.iter().enumerate() {
        let end = (i + 1 + reach).min(n);
        common += r * (sums[end] - sums[i + 1]);
        pairs += (end - i - 1) as f64;
    }
    common / pairs.max(1.0).sqrt()
}

/// Sum of squares of the amplitudes of the longest cosine waves along the axis, each of which chance gives the pixels'
/// variance.
fn waves(centred: &[f64]) -> f64 {
    let n = centred.len() as f64;
    (1..=WAVES)
        .map(|k| {
            let phase = std::f64::consts::PI * k as f64 / n;
            // The cosine at i + ½ from the two before it: cos(x + h) = 2 cos h · cos x − cos(x − h). Over the pixels of a
            // detector its error stays below a billionth.
            let twice = 2.0 * phase.cos();
            let (mut before, mut cosine, mut sum) = ((0.5 * phase).cos(), (0.5 * phase).cos(), 0.0);
            for r in centred {
                sum += r * cosine;
                (before, cosine) = (cosine, twice * cosine - before);
            }
            sum * sum * 2.0 / n
        })
        .sum()
}

/// The upper median; 0 of none.
pub fn median(mut v: Vec<f64>) -> f64 {
    upper_median(&mut v).unwrap_or(0.0)
}
