//! `vigilux probe`: lists serial ports, tries a dialect on one, and measures the instrument.
//!
//! Stores nothing but the recording that was asked for. Results go to stdout, what is being done and the trace to stderr.

use super::{Failure, print, print_json};
use crate::clock::{Clock, CompressedClock, RealClock, Stop};
use crate::dialect::limitations::{self, Limitation};
use crate::dialect::{self, Dialect, SerialSettings};
use crate::instrument::recording::Sink;
use crate::instrument::{Link, RecordingLink, Session, link_to};
use crate::probe::findings::{Finding, findings};
use crate::probe::measure::{Measured, Options, measure};
use crate::probe::ports::{Port, Roots, ports};
use crate::probe::report;
use crate::probe::section::{Found, section};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Arguments of `probe`.
#[derive(Debug, clap::Args)]
pub struct ProbeArgs {
    /// Serial port of the instrument, or tcp://host:port; without it all ports are listed, and the only one that may be opened is tried
    #[arg(long, value_name = "PATH")]
    pub link: Option<PathBuf>,
    /// Line rate [baud]; by default that of the dialect
    #[arg(long)]
    pub baud: Option<u32>,
    /// Dialect file, or `scpi` for the built-in one
    #[arg(long, value_name = "FILE", default_value = dialect::BUILT_IN)]
    pub dialect: PathBuf,
    /// The entrance optic is covered: measure offset, dark current and bad pixels without a shutter
    #[arg(long)]
    pub covered: bool,
    /// Show every transfer on stderr, and every exchange beside what the dialect expects
    #[arg(long)]
    pub trace: bool,
    /// Write the session to FILE, for `vigilux simulate --replay`
    #[arg(long, value_name = "FILE")]
    pub record: Option<PathBuf>,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
    /// Share a compressed clock with another process
    #[arg(long, value_name = "CLOCK", hide = true)]
    pub compressed_clock: Option<String>,
}

/// Everything as JSON.
#[derive(serde::Serialize)]
struct Json<'a> {
    ports: &'a [Port],
    identity: [&'a str; 4],
    pixels: usize,
    full_scale: u32,
    shutter: bool,
    integration_s: (f64, f64),
    temperature_c: Option<f64>,
    transfer_s: Option<crate::probe::estimate::Estimate>,
    dark: Option<&'a crate::probe::dark::Dark>,
    dark_noise: Option<&'a crate::probe::noise::Noise>,
    light: Option<&'a crate::probe::measure::Light>,
    no_light: Option<&'a str>,
    findings: &'a [Finding],
    section: &'a str,
}

/// Lists ports, then probes one.
pub fn run(args: &ProbeArgs) -> Result<(), Failure> {
    let found = ports(&Roots::default());
    if !args.json {
        print(&listed(&found))?;
    }
    let link = match &args.link {
        Some(link) => link.clone(),
        None => the_only(&found)?,
    };
    let clock: Arc<dyn Clock> = match &args.compressed_clock {
        Some(text) => {
            Arc::new(CompressedClock::parse(text).map_err(|why| Failure::Usage(format!("--compressed-clock: {why}")))?)
        }
        None => Arc::new(RealClock::new()),
    };
    let stop = Stop::new();
    super::simulate::stop_on_signals(stop.clone())?;
    let dialect = dialect_of(&args.dialect)?;
    let baud = args.baud.unwrap_or(dialect.serial.baud);
    let line = link_to(&link, SerialSettings { baud, ..dialect.serial }, Arc::clone(&clock), stop.clone());
    let line: Box<dyn Link> = match sink(args)? {
        Some(sink) => Box::new(RecordingLink::new(line, Arc::clone(&clock), sink)),
        None => line,
    };
    let mut session = Session::new(line, Arc::clone(&clock), stop, baud, &dialect);
    if args.trace {
        session.trace(Box::new(|exchanged| eprint!("{exchanged}")));
    }
    let mut say = |text: &str| eprintln!("… {text}");
    let measured = measure(&mut session, clock.as_ref(), Options { covered: args.covered }, &mut say);
    session.disconnect();
    let measured = measured.map_err(|fault| {
        Failure::Failed(format!(
            "{}: {fault}\nTry --trace to see every byte, other line rates with --baud, and the manual's pages on the line",
            link.display()
        ))
    })?;
    let findings = findings(&measured);
    let (link, named) = (link.display().to_string(), args.dialect.display().to_string());
    let section = section(&measured, &Found { link: &link, baud, dialect: &named });
    if args.json {
        return print_json(&json(&found, &measured, &findings, &section));
    }
    let unproven = unproven(&limitations::of(&dialect));
    print(&format!("\n{}{unproven}\n{section}", report::text(&measured, &findings)))
}

/// The built-in dialect, or that of a file.
fn dialect_of(name: &Path) -> Result<Arc<Dialect>, Failure> {
    match name == Path::new(dialect::BUILT_IN) {
        true => Ok(Arc::clone(&dialect::SCPI)),
        false => Ok(dialect::load::load(name)?),
    }
}

fn json<'a>(ports: &'a [Port], m: &'a Measured, findings: &'a [Finding], section: &'a str) -> Json<'a> {
    let (id, d) = (&m.identity, &m.detector);
    Json {
        ports,
        identity: [&id.maker, &id.model, &id.serial, &id.firmware],
        pixels: d.pixels,
        full_scale: d.full_scale,
        shutter: d.has_shutter,
        integration_s: (d.integration_min_s, d.integration_max_s),
        temperature_c: m.temperature_c,
        transfer_s: m.transfer_s,
        dark: m.dark.as_ref(),
        dark_noise: m.dark_noise.as_ref(),
        light: m.light.as_ref(),
        no_light: m.no_light.as_deref(),
        findings,
        section,
    }
}

/// What the protocol cannot do, as text.
fn unproven(limitations: &[Limitation]) -> String {
    if limitations.is_empty() {
        return String::new();
    }
    let lines = limitations.iter().map(|l| format!("  - no {}: {}\n", l.missing, l.consequence));
    format!("\nwhat the protocol cannot do\n{}", lines.collect::<String>())
}

/// The ports as text.
fn listed(ports: &[Port]) -> String {
    if ports.is_empty() {
        return "no serial ports found\n".into();
    }
    let texts: Vec<String> = ports.iter().map(Port::text).collect();
    format!("{} serial port(s)\n\n{}", ports.len(), texts.join("\n"))
}

/// The only port that may be opened. Others are not tried: bytes may harm what is not a spectrometer.
fn the_only(ports: &[Port]) -> Result<PathBuf, Failure> {
    let open: Vec<&Port> = ports.iter().filter(|p| p.may_open != Some(false)).collect();
    match open[..] {
        [port] => Ok(port.by_id.first().unwrap_or(&port.path).clone()),
        [] => Err(Failure::Failed("expected a serial port that may be opened, but found none (see above)".into())),
        _ => Err(Failure::Usage(format!("expected --link PATH, since {} ports may be opened", open.len()))),
    }
}

/// Where transfers are reported, if anywhere.
fn sink(args: &ProbeArgs) -> Result<Option<Sink>, Failure> {
    let mut file = args.record.as_deref().map(recording).transpose()?;
    let trace = args.trace;
    if file.is_none() && !trace {
        return Ok(None);
    }
    Ok(Some(Box::new(move |line: &str| {
        if trace {
            eprintln!("{line}");
        }
        // A full disk ends the recording, not the probe.
        if let Some(file) = &mut file
            && let Err(why) = writeln!(file, "{line}")
        {
            eprintln!("the recording is incomplete: {why}");
        }
    })))
}

fn recording(path: &Path) -> Result<std::fs::File, Failure> {
    let failed =
        |why: std::io::Error| Failure::Failed(format!("{}: cannot write the recording: {why}", path.display()));
    let mut file = std::fs::File::create(path).map_err(failed)?;
    writeln!(file, "# A session recorded by vigilux {}", env!("CARGO_PKG_VERSION")).map_err(failed)?;
    writeln!(file, "# seconds, > sent or < received, bytes in hexadecimal | as characters").map_err(failed)?;
    Ok(file)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn port(name: &str, may_open: Option<bool>) -> Port {
        Port { path: name.into(), by_id: Vec::new(), usb: None, access: String::new(), may_open }
    }

    #[test]
    fn only_a_single_port_that_may_be_opened_is_tried_unasked() {
        let (a, b) = (port("/dev/ttyUSB0", Some(true)), port("/dev/ttyUSB1", Some(false)));
        assert_eq!(the_only(&[a.clone(), b.clone()]), Ok("/dev/ttyUSB0".into()));
        let stable = Port { by_id: vec!["/dev/serial/by-id/x".into()], ..a.clone() };
        assert_eq!(the_only(&[stable]), Ok("/dev/serial/by-id/x".into()));
        assert!(matches!(the_only(&[b]), Err(Failure::Failed(_))));
        assert!(matches!(the_only(&[a, port("/dev/ttyS0", None)]), Err(Failure::Usage(_))));
    }
}
