//! Light from files: a constant spectrum, and a series of factors that multiplies any scene.

use super::Scene;
use crate::clock::UtcMicros;
use crate::simulator::light::{Grid, Light};
use crate::spectrum::Spectrum;
use std::io::Read as _;
use std::path::{Path, PathBuf};

/// Why a file of light cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum PlaybackError {
    /// Scene `spectrum` without a file.
    #[error("scene `spectrum`: expected a spectrum file (`--spectrum FILE`, or `scene.spectrum`), but found none")]
    NoFile,
    /// The file cannot be read.
    #[error("{path}: expected a readable file, but found: {why}")]
    Unreadable {
        /// Its path.
        path: PathBuf,
        /// The error of the operating system.
        why: std::io::Error,
    },
    /// An invalid row.
    #[error("{path}, line {line}: expected {expected}, but found `{found}`")]
    Row {
        /// Its path.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
        /// The rule.
        expected: &'static str,
        /// The line.
        found: String,
    },
    /// Too few rows.
    #[error("{path}: expected at least {expected} rows, but found {found}")]
    Short {
        /// Its path.
        path: PathBuf,
        /// Rows needed.
        expected: usize,
        /// Rows found.
        found: usize,
    },
}

/// Wavelengths of a spectrum file [nm]; beyond these the virtual spectrometer sees nothing.
const MIN_NM: f64 = 100.0;
const MAX_NM: f64 = 5000.0;
/// Largest file [bytes]: a year of minutes.
const LARGEST_FILE: u64 = 32 << 20;

/// Constant diffuse light.
pub struct Playback {
    light: Vec<f64>,
}

impl Playback {
    /// The light of a spectrum, all of it diffuse; zero outside its wavelengths.
    pub fn new(spectrum: &Spectrum, grid: Grid) -> Self {
        Self { light: grid.sample(&spectrum.wavelength_nm, &spectrum.irradiance) }
    }

    /// The light of a spectrum file.
    pub fn from_file(path: Option<&Path>, grid: Grid) -> Result<Self, PlaybackError> {
        let path = path.ok_or(PlaybackError::NoFile)?;
        let rows = rows(path, "wavelength_nm,irradiance_w_m2_nm", |text| {
            text.parse::<f64>().ok().filter(|nm| (MIN_NM..=MAX_NM).contains(nm))
        })?;
        if rows.len() < 2 {
            return Err(PlaybackError::Short { path: path.into(), expected: 2, found: rows.len() });
        }
        let (wavelength_nm, irradiance) = rows.into_iter().unzip();
        Ok(Self::new(&Spectrum { wavelength_nm, irradiance }, grid))
    }
}

impl Scene for Playback {
    fn mean_light(&mut self, _start: UtcMicros, _length_s: f64, light: &mut Light) {
        light.clear();
        light.sky.copy_from_slice(&self.light);
    }
}

/// Reads rows of two numbers below a header, the first number rising; lines before the header that begin with `#` are comments.
fn rows<T: PartialOrd + Copy>(
    path: &Path,
    header: &'static str,
    first: impl Fn(&str) -> Option<T>,
) -> Result<Vec<(T, f64)>, PlaybackError> {
    let unreadable = |why| PlaybackError::Unreadable { path: path.into(), why };
    let mut text = String::new();
    let file = std::fs::File::open(path).map_err(unreadable)?;
    file.take(LARGEST_FILE + 1).read_to_string(&mut text).map_err(unreadable)?;
    if text.len() as u64 > LARGEST_FILE {
        return Err(unreadable(std::io::Error::other(format!("more than {LARGEST_FILE} bytes"))));
    }
    let mut rows: Vec<(T, f64)> = Vec::new();
    let mut begun = false;
    for (i, line) in text.trim_start_matches('\u{feff}').lines().enumerate() {
        let wrong = |expected| PlaybackError::Row { path: path.into(), line: i + 1, expected, found: line.to_owned() };
        if !begun {
            if line.starts_with('#') {
                continue;
            }
            if line.trim() != header {
                return Err(wrong(header));
            }
            begun = true;
            continue;
        }
        let (a, b) = line.split_once(',').ok_or_else(|| wrong("two values with a comma between"))?;
        let a =
            first(a.trim()).ok_or_else(|| wrong("a wavelength from 100 to 5000 nm or a time in the first column"))?;
        let b = b.trim().parse::<f64>().ok().filter(|b| b.is_finite());
        let b = b.ok_or_else(|| wrong("a finite number in the second column"))?;
        if rows.last().is_some_and(|(before, _)| a <= *before) {
            return Err(wrong("a first column that rises from row to row"));
        }
        rows.push((a, b));
    }
    Ok(rows)
}

/// A scene multiplied by a factor that is linear between given times and constant beyond them.
pub struct Modulated {
    scene: Box<dyn Scene>,
    begins: UtcMicros,
    /// Since `begins` [s].
    times: Vec<f64>,
    factors: Vec<f64>,
    /// ∫ factor dt from the first time to each of them [s].
    sums: Vec<f64>,
}

impl Modulated {
    /// A scene with its factors; `times` [s] since `begins` rise from 0, and there is at least one.
    pub fn new(scene: Box<dyn Scene>, begins: UtcMicros, times: Vec<f64>, factors: Vec<f64>) -> Self {
        let mut sums = vec![0.0];
        for (t, f) in times.windows(2).zip(factors.windows(2)) {
            sums.push(sums[sums.len() - 1] + 0.5 * (t[1] - t[0]) * (f[0] + f[1]));
        }
        Self { scene, begins, times, factors, sums }
    }

    /// A scene with a file of `time_utc,factor` rows.
    pub fn from_file(scene: Box<dyn Scene>, path: &Path) -> Result<Self, PlaybackError> {
        let rows = rows(path, "time_utc,factor", |text| UtcMicros::parse(text).ok())?;
        let Some((begins, _)) = rows.first().copied() else {
            return Err(PlaybackError::Short { path: path.into(), expected: 1, found: 0 });
        };
        let (times, factors) = rows.into_iter().map(|(t, f)| (t.seconds_since(begins), f)).unzip();
        Ok(Self::new(scene, begins, times, factors))
    }

    /// ∫ factor dt from the first time to `t` [s]; negative before it.
    fn integral(&self, t: f64) -> f64 {
        let above = self.times.partition_point(|x| *x <= t);
        match (above.checked_sub(1), self.times.get(above)) {
            (None, _) => self.factors[0] * (t - self.times[0]),
            (Some(below), None) => self.sums[below] + self.factors[below] * (t - self.times[below]),
            (Some(below), Some(next)) => {
                let (dt, span) = (t - self.times[below], next - self.times[below]);
                let there = self.factors[below] + (self.factors[above] - self.factors[below]) * dt / span;
                self.sums[below] + 0.5 * dt * (self.factors[below] + there)
            }
        }
    }

    /// Mean factor over an interval [1].
    pub fn mean_factor(&self, start: UtcMicros, length_s: f64) -> f64 {
        let (a, length) = (start.seconds_since(self.begins), length_s.max(1e-6));
        (self.integral(a + length) - self.integral(a)) / length
    }
}

impl Scene for Modulated {
    fn mean_light(&mut self, start: UtcMicros, length_s: f64, light: &mut Light) {
        self.scene.mean_light(start, length_s, light);
        let factor = self.mean_factor(start, length_s);
        light.beam.iter_mut().chain(&mut light.sky).for_each(|e| *e *= factor);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(text: &str) -> (tempfile::TempDir, PathBuf) {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("file.csv");
        std::fs::write(&path, text).unwrap();
        (dir, path)
    }

    /// Identity: the light is that of the file, linear between its rows.
    #[test]
    fn a_spectrum_file_is_the_light() {
        let (_dir, path) = file("# of: a lamp\nwavelength_nm,irradiance_w_m2_nm\n400,1\n410,2\n");
        let grid = Grid { first_nm: 395, nodes: 20 };
        let mut light = Light::dark(grid);
        Playback::from_file(Some(&path), grid).unwrap().mean_light(UtcMicros(0), 1.0, &mut light);
        assert_eq!((light.sky[4], light.sky[5], light.sky[15], light.sky[16]), (0.0, 1.0, 2.0, 0.0));
        assert!((light.sky[8] - 1.3).abs() < 1e-12);
    }

    #[test]
    fn an_invalid_file_is_refused_with_line_and_reason() {
        for (text, part) in [
            ("400,1\n410,2\n", "line 1: expected wavelength_nm"),
            ("wavelength_nm,irradiance_w_m2_nm\n400,1\n400,2\n", "line 3: expected a first column that rises"),
            ("wavelength_nm,irradiance_w_m2_nm\n400,1\n2e7,2\n", "line 3: expected a wavelength from 100 to 5000 nm"),
            ("wavelength_nm,irradiance_w_m2_nm\n400,1\n410,NaN\n", "line 3: expected a finite number"),
            ("wavelength_nm,irradiance_w_m2_nm\n400,1\n", "expected at least 2 rows, but found 1"),
        ] {
            let (_dir, path) = file(text);
            let Err(error) = Playback::from_file(Some(&path), Grid { first_nm: 395, nodes: 20 }) else {
                panic!("{text} was accepted")
            };
            assert!(error.to_string().contains(part), "{error}");
        }
    }

    /// Identity: the mean of a factor linear in time, within, across and beyond the rows.
    #[test]
    fn a_modulation_is_averaged_exactly() {
        let (_dir, path) =
            file("time_utc,factor\n2026-06-21T12:00:00Z,1\n2026-06-21T12:01:00Z,3\n2026-06-21T12:02:00Z,0\n");
        let grid = Grid { first_nm: 400, nodes: 2 };
        let scene = Box::new(Playback { light: vec![2.0; 2] });
        let mut modulated = Modulated::from_file(scene, &path).unwrap();
        let noon = UtcMicros::parse("2026-06-21T12:00:00Z").unwrap();
        for (from, length, want) in [
            (0.0, 60.0, 2.0),
            (30.0, 1e-3, 2.0),
            (30.0, 60.0, (2.5 + 2.25) / 2.0),
            (-10.0, 5.0, 1.0),
            (500.0, 5.0, 0.0),
        ] {
            let got = modulated.mean_factor(noon.plus_seconds(from), length);
            assert!((got - want).abs() < 1e-4, "{from}: want {want}, got {got}");
        }
        let mut light = Light::dark(grid);
        modulated.mean_light(noon, 60.0, &mut light);
        assert!((light.sky[1] - 4.0).abs() < 1e-6);
    }
}
