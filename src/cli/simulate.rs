//! `vigilux simulate`: a simulated instrument alone, on a pseudo-terminal or a TCP port whose address it prints.

use super::Failure;
use super::output::{self, InUse};
use crate::clock::{Clock, CompressedClock, RealClock, Stop};
use crate::simulator::replay::Replay;
use crate::simulator::scenes::{SceneKind, SkyKind};
use crate::simulator::{
    DeviceKind, Settings, SettingsError, SimulatedStation, SimulatorError, TruthLog, Wire, certificate, pty, tcp,
};
use std::io::Write as _;
use std::path::PathBuf;
use std::sync::Arc;

/// Arguments of `simulate`; each overrides the simulator file.
#[derive(Debug, Default, clap::Args)]
pub struct SimulateArgs {
    /// Instrument to simulate
    #[arg(long, value_enum, default_value_t)]
    pub device: DeviceKind,
    /// Listen at ADDRESS:PORT instead of opening a pseudo-terminal (port 0: any free one)
    #[arg(long, value_name = "ADDRESS", conflicts_with = "link")]
    pub tcp: Option<String>,
    /// Play a session that `vigilux probe --record` has recorded
    #[arg(long, value_name = "FILE", conflicts_with_all = ["device", "certificate", "truth"])]
    pub replay: Option<PathBuf>,
    /// Simulator file (TOML): detector, optic, scene, disturbances and faults
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// Scene in front of the spectrometer
    #[arg(long, value_enum)]
    pub scene: Option<SceneKind>,
    /// Cloud cover
    #[arg(long, value_enum)]
    pub sky: Option<SkyKind>,
    /// Latitude of the scene in degrees, north positive
    #[arg(long, value_name = "DEG", allow_negative_numbers = true)]
    pub latitude: Option<f64>,
    /// Longitude of the scene in degrees, east positive
    #[arg(long, value_name = "DEG", allow_negative_numbers = true)]
    pub longitude: Option<f64>,
    /// Seed of every random number
    #[arg(long)]
    pub seed: Option<u64>,
    /// Path of a symlink to the pseudo-terminal
    #[arg(long, value_name = "PATH")]
    pub link: Option<PathBuf>,
    /// Append the true irradiance of every exposure to FILE, one JSON object a line
    #[arg(long, value_name = "FILE")]
    pub truth: Option<PathBuf>,
    /// Write the calibration of this spectrometer to FILE (`-`: standard output) and exit
    #[arg(long, value_name = "FILE")]
    pub certificate: Option<PathBuf>,
    /// Replace an existing FILE of --certificate
    #[arg(long, requires = "certificate")]
    pub force: bool,
    /// Spectrum file of the scene (implies --scene spectrum)
    #[arg(long, value_name = "FILE")]
    pub spectrum: Option<PathBuf>,
    /// File of factors that multiply the light (rows of time_utc,factor)
    #[arg(long, value_name = "FILE")]
    pub modulation: Option<PathBuf>,
    /// Line rate [baud]
    #[arg(long)]
    pub baud: Option<u32>,
    /// Share a compressed clock with another process
    #[arg(long, value_name = "CLOCK", hide = true)]
    pub compressed_clock: Option<String>,
}

/// The settings of the simulator file, overridden by the arguments.
fn settings(args: &SimulateArgs) -> Result<Settings, Failure> {
    let usage = |why: &dyn std::fmt::Display| Failure::Usage(why.to_string());
    let text = match &args.config {
        Some(path) => std::fs::read_to_string(path)
            .map_err(|why| usage(&SettingsError::Unreadable { path: path.clone(), why }))?,
        None => String::new(),
    };
    let mut settings = args.device.settings_with(&text).map_err(|why| usage(&why))?;
    let scene = &mut settings.scene;
    scene.kind = args.scene.unwrap_or(scene.kind);
    scene.sky = args.sky.unwrap_or(scene.sky);
    scene.latitude_deg = args.latitude.unwrap_or(scene.latitude_deg);
    scene.longitude_deg = args.longitude.unwrap_or(scene.longitude_deg);
    if let Some(path) = &args.spectrum {
        if args.scene.is_some_and(|kind| kind != SceneKind::Spectrum) {
            return Err(usage(&"--spectrum: expected no --scene other than `spectrum`"));
        }
        scene.kind = SceneKind::Spectrum;
        scene.spectrum = Some(path.clone());
    }
    if args.modulation.is_some() {
        scene.modulation.clone_from(&args.modulation);
    }
    settings.seed = args.seed.unwrap_or(settings.seed);
    settings.baud = args.baud.unwrap_or(settings.baud);
    settings.check().map_err(|why| usage(&why))?;
    Ok(settings)
}

/// The files that are read.
fn in_use(args: &SimulateArgs) -> InUse {
    let read = [
        (&args.config, "the simulator file"),
        (&args.spectrum, "the spectrum"),
        (&args.modulation, "the factors"),
        (&args.replay, "the recording"),
    ];
    read.into_iter().fold(InUse::default(), |in_use, (path, what)| match path {
        Some(path) => in_use.file(path, what),
        None => in_use,
    })
}

/// Runs the simulator until INT or TERM, or writes its certificate.
pub fn run(args: SimulateArgs) -> Result<(), Failure> {
    let settings = settings(&args)?;
    let built = |why: SimulatorError| Failure::Usage(why.to_string());
    if let Some(path) = &args.certificate {
        let text = certificate(&settings).map_err(built)?;
        if output::is_standard_output(path) {
            return super::print(&text);
        }
        output::check_file(path, args.force, &in_use(&args))?;
        return std::fs::write(path, text)
            .map_err(|why| Failure::Failed(format!("{}: cannot write the certificate: {why}", path.display())));
    }
    let clock: Arc<dyn Clock> = match &args.compressed_clock {
        Some(text) => {
            Arc::new(CompressedClock::parse(text).map_err(|why| Failure::Usage(format!("--compressed-clock: {why}")))?)
        }
        None => Arc::new(RealClock::new()),
    };
    if let Some(path) = &args.truth {
        output::check_append(path, &in_use(&args))?;
    }
    let truth = match &args.truth {
        Some(path) => TruthLog::to_file(path)
            .map_err(|why| Failure::Failed(format!("{}: cannot append the truth: {why}", path.display())))?,
        None => TruthLog::none(),
    };
    let mut device: Box<dyn Wire> = match &args.replay {
        Some(path) => Box::new(
            Replay::read(path, &settings, clock.now())
                .map_err(|why| Failure::Usage(format!("{}: {why}", path.display())))?,
        ),
        None => {
            let mut station = SimulatedStation::new(&settings, clock.now()).map_err(built)?;
            station.truth = truth.clone();
            args.device.build(station, args.tcp.is_some())
        }
    };
    let stop = Stop::new();
    stop_on_signals(stop.clone())?;
    let announce = |address: &str| {
        let mut out = std::io::stdout().lock();
        // A closed pipe does not stop the simulator.
        let _ = writeln!(out, "{address}").and_then(|()| out.flush());
    };
    let served = match &args.tcp {
        Some(address) => {
            tcp::serve(&mut device, clock.as_ref(), address, &stop, announce).map_err(|why| why.to_string())
        }
        None => pty::serve(&mut device, clock.as_ref(), args.link.as_deref(), &stop, announce)
            .map_err(|why| why.to_string()),
    };
    let flushed = truth.flush().map_err(|why| Failure::Failed(format!("cannot write the truth: {why}")));
    served.map_err(Failure::Failed)?;
    flushed
}

/// Raises the stop flag at INT or TERM, from a separate thread.
pub(super) fn stop_on_signals(stop: Stop) -> Result<(), Failure> {
    use tokio::signal::unix::{SignalKind, signal};
    let failed = |why: std::io::Error| Failure::Failed(format!("cannot listen for signals: {why}"));
    let runtime = tokio::runtime::Builder::new_current_thread().enable_io().build().map_err(failed)?;
    let (mut interrupt, mut terminate) = {
        let _inside = runtime.enter();
        (signal(SignalKind::interrupt()).map_err(failed)?, signal(SignalKind::terminate()).map_err(failed)?)
    };
    std::thread::spawn(move || {
        runtime.block_on(async {
            tokio::select! {
                _ = interrupt.recv() => {}
                _ = terminate.recv() => {}
            }
        });
        stop.request();
    });
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn arguments_override_the_simulator_file() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("simulator.toml");
        std::fs::write(&file, "seed = 4\nbaud = 9600\n[scene]\nkind = \"lamp\"\nlatitude_deg = 10.0\n").unwrap();
        let args = SimulateArgs { config: Some(file), seed: Some(9), latitude: Some(-33.0), ..SimulateArgs::default() };
        let settings = settings(&args).unwrap();
        assert_eq!((settings.seed, settings.baud, settings.scene.kind), (9, 9600, SceneKind::Lamp));
        assert_eq!(settings.scene.latitude_deg, -33.0);
        let args = SimulateArgs { latitude: Some(95.0), ..SimulateArgs::default() };
        let Err(Failure::Usage(text)) = super::settings(&args) else { panic!("95° was accepted") };
        assert!(text.contains("scene.latitude_deg: expected -90 to 90, but found 95"), "{text}");
    }

    #[test]
    fn a_certificate_is_written_without_starting_the_simulator() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("certificate.toml");
        run(SimulateArgs { certificate: Some(path.clone()), ..SimulateArgs::default() }).unwrap();
        let text = std::fs::read_to_string(path).unwrap();
        assert!(text.contains("instrument_serial = \"VB-0001\""));
        let path = dir.path().join("nowhere/certificate.toml");
        assert!(matches!(
            run(SimulateArgs { certificate: Some(path), ..SimulateArgs::default() }),
            Err(Failure::Failed(_))
        ));
    }
}
