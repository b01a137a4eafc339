//! Simulated instruments with their own command sets, each written by hand from its manual page in `config/dialects/examples/`.
//!
//! They share the light, the detector and the faults of the simulator, and no code with the instrument module. Settings that the
//! manual page states are in a simulator file beside each device, which the user's simulator file overrides.
//!
//! Invariant: a device does what its manual page says, and nothing that the page does not say.

mod body;
pub mod brindle;
pub mod karnaby;
pub mod quern;
#[cfg(test)]
mod test_host;
pub mod wisp;

use super::device::Device;
use super::settings::{Settings, SettingsError};
use super::simulated_station::SimulatedStation;
use super::wire::Wire;

/// A kind of simulated instrument.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum DeviceKind {
    /// The virtual spectrometer with SCPI commands
    #[default]
    Scpi,
    /// Lines of text with echo and prompt
    Brindle,
    /// Binary packets with CRC-16, acknowledgement and polling
    Karnaby,
    /// A free-running stream of frames without checksum
    Wisp,
    /// Modbus registers (RTU, or Modbus TCP with --tcp)
    Quern,
}

impl DeviceKind {
    /// All kinds.
    pub const ALL: [Self; 5] = [Self::Scpi, Self::Brindle, Self::Karnaby, Self::Wisp, Self::Quern];

    /// The simulator file of the kind.
    fn base(self) -> &'static str {
        match self {
            Self::Scpi => "",
            Self::Brindle => include_str!("brindle.toml"),
            Self::Karnaby => include_str!("karnaby.toml"),
            Self::Wisp => include_str!("wisp.toml"),
            Self::Quern => include_str!("quern.toml"),
        }
    }

    /// The settings of the kind.
    pub fn settings(self) -> Result<Settings, SettingsError> {
        self.settings_with("")
    }

    /// The settings of the kind, overridden by the text of a simulator file.
    pub fn settings_with(self, text: &str) -> Result<Settings, SettingsError> {
        // Parsed alone first: messages name the line of the user's file.
        Settings::parse(text)?;
        let parse = |text: &str| text.parse::<toml::Table>().map_err(Box::new);
        let mut whole = parse(self.base())?;
        overlay(&mut whole, parse(text)?);
        Settings::parse(&whole.to_string())
    }

    /// The device at a station; `tcp` where it is reached over TCP instead of a serial line.
    pub fn build(self, station: SimulatedStation, tcp: bool) -> Box<dyn Wire> {
        match self {
            Self::Scpi => Box::new(Device::new(station)),
            Self::Brindle => Box::new(brindle::Brindle::new(station)),
            Self::Karnaby => Box::new(karnaby::Karnaby::new(station)),
            Self::Wisp => Box::new(wisp::Wisp::new(station)),
            Self::Quern if tcp => Box::new(quern::Quern::new(station, quern::Transport::Tcp)),
            Self::Quern => Box::new(quern::Quern::new(station, quern::Transport::Rtu)),
        }
    }
}

/// Replaces the values of `base` by those of `over`, table by table.
fn overlay(base: &mut toml::Table, over: toml::Table) {
    for (key, value) in over {
        match (base.get_mut(&key), value) {
            (Some(toml::Value::Table(below)), toml::Value::Table(above)) => overlay(below, above),
            (_, value) => {
                base.insert(key, value);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_has_valid_settings_and_a_certificate_of_its_own() {
        let mut serials = std::collections::BTreeSet::new();
        for kind in DeviceKind::ALL {
            let settings = kind.settings().unwrap();
            let text = crate::simulator::certificate(&settings).unwrap();
            assert!(text.contains(&format!("instrument_serial = \"{}\"", settings.identity.serial)), "{kind:?}");
            assert!(serials.insert(settings.identity.serial.clone()), "{kind:?}");
            let d = &settings.detector;
            let at = |p: usize| d.wavelength_coefficients.iter().rev().fold(0.0, |s, c| s * p as f64 + c);
            let seen: Vec<usize> =
                (0..d.pixels).filter(|p| !d.shielded.iter().any(|r| (r[0]..=r[1]).contains(p))).collect();
            let (first, last) = (at(seen[0]), at(seen[seen.len() - 1]));
            assert!((first - 280.0).abs() < 0.1 && (last - 1050.0).abs() < 0.1, "{kind:?}: {first} nm to {last} nm");
        }
    }

    #[test]
    fn a_simulator_file_overrides_the_values_of_the_kind_and_keeps_the_others() {
        let settings = DeviceKind::Wisp.settings_with("seed = 5\n[detector]\nread_noise_counts = 3.0\n").unwrap();
        assert_eq!((settings.seed, settings.detector.read_noise_counts, settings.detector.full_scale), (5, 3.0, 4095));
        let why = DeviceKind::Wisp.settings_with("[detector]\nwobble = 1\n").unwrap_err().to_string();
        assert!(why.contains("line 2") && why.contains("wobble"), "{why}");
    }
}
