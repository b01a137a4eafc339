//! Reads `[[instrument]]` with its schedule, exposure, darks and limits.

use super::station::{WINDOW_RULE, window_s};
use super::{DarksConfig, ExposureConfig, InstrumentConfig, LimitsConfig, ScheduleConfig, StationKind, cron};
use crate::clock::UtcMicros;
use crate::dialect::{self, Dialect};
use crate::document::{Range, Section};
use crate::quantities;
use crate::record::DarkSource;
use std::path::Path;
use std::sync::Arc;

/// What the address of a network link begins with.
const TCP: &str = "tcp://";

/// One reading every minute, on the minute.
const DEFAULT_CRON: &str = "0 * * * * *";

/// Default illuminance of the night sky that may be in a night dark [lx]: a rural sky, overcast or with the glow of a village; the natural sky
/// has a tenth of it (0.0005 lx without clouds, Janiczek & DeYoung 1987, from memory; airglow and stars vary threefold).
const DEFAULT_NIGHT_SKY_LX: f64 = 0.01;

const ELEVATION: Range = Range::between(-90.0, 90.0, "degrees");

/// Facts from outside the section.
#[derive(Clone, Copy)]
pub struct Context<'a> {
    /// Kind of the station; `None` where the file has no valid one.
    pub kind: Option<StationKind>,
    /// Folder that relative paths refer to.
    pub folder: &'a Path,
    /// The present: schedules have to fire after it.
    pub now: UtcMicros,
}

/// Reads one `[[instrument]]`.
pub fn read_instrument(s: &Section, context: Context) -> Option<InstrumentConfig> {
    let name = s.parse_with("name", None, "a name of letters, digits, `-` and `_`", |text| {
        let plain = |c: char| c.is_alphanumeric() || c == '-' || c == '_';
        (!text.is_empty() && text.chars().count() <= 64 && text.chars().all(plain)).then(|| text.to_owned())
    });
    let link = s.text("link", None, "the path of a serial port, or tcp://host:port");
    let dialect = read_dialect(s, context.folder);
    let default_baud = dialect.as_ref().map_or(115_200, |dialect| dialect.serial.baud);
    let baud = s.integer("baud", Some(default_baud), Range::at_least(1.0, "baud"));
    let rule = "a list of at least one calibration file";
    let calibrations = s.texts("calibrations", true, rule).filter(|files| {
        let valid = !files.is_empty() && files.iter().all(|f| !f.trim().is_empty());
        if !valid {
            s.refuse("calibrations", rule);
        }
        valid
    });
    let warm_up_min = s.number("warm_up_min", Some(20.0), Range::between(0.0, 1440.0, "min"));
    let schedule = read_schedule(&s.section("schedule"), context);
    let exposure = read_exposure(&s.section("exposure"));
    let darks = read_darks(&s.section("darks"), context.kind);
    let limits = read_limits(&s.section("limits"));
    s.close();
    Some(InstrumentConfig {
        name: name?,
        link: link.map(|link| if link.starts_with(TCP) { link.into() } else { context.folder.join(link) })?,
        baud: baud?,
        dialect: dialect?,
        calibrations: calibrations?.iter().map(|file| context.folder.join(file)).collect(),
        warm_up_s: warm_up_min? * 60.0,
        schedule: schedule?,
        exposure: exposure?,
        darks: darks?,
        limits: limits?,
    })
}

/// The built-in dialect by its name, or the file of a dialect, whose faults are reported with those of this file.
fn read_dialect(s: &Section, folder: &Path) -> Option<Arc<Dialect>> {
    let rule = "the built-in dialect `scpi`, or the path of a dialect file that ends in `.toml`";
    let known = |text: &str| text == dialect::BUILT_IN || text.ends_with(".toml");
    let name = s.parse_with("dialect", Some(dialect::BUILT_IN), rule, |text| known(text).then(|| text.to_owned()))?;
    if name == dialect::BUILT_IN {
        return Some(Arc::clone(&dialect::SCPI));
    }
    dialect::load::load(&folder.join(name)).map_err(|faults| s.report(faults)).ok()
}

fn read_schedule(s: &Section, context: Context) -> Option<ScheduleConfig> {
    let text = s.text("cron", Some(DEFAULT_CRON), cron::RULE);
    let schedule = text.and_then(|text| {
        cron::parse(&text, context.now).map_err(|found| s.refuse_with("cron", cron::RULE, found)).ok()
    });
    let sun_above_deg = s.optional_number("sun_above_deg", ELEVATION);
    let sun_below_deg = s.optional_number("sun_below_deg", ELEVATION);
    if let (Some(above), Some(below)) = (sun_above_deg, sun_below_deg)
        && !(above < below)
    {
        s.refuse("sun_above_deg", format!("an elevation below sun_below_deg ({below}), or no reading would be taken"));
    }
    let local_window_s = s.optional_parse_with("local_window", WINDOW_RULE, window_s);
    let window_s = s.optional_number("window_s", Range::above(0.0, "s").up_to(3600.0));
    if let (Some(window), Some(interval)) =
        (window_s, schedule.as_ref().and_then(|c| cron::shortest_interval_s(c, context.now)))
        && !(window < interval)
    {
        s.refuse("window_s", format!("a window shorter than the time between two ticks of cron ({interval} s)"));
    }
    let check_source = if s.has("check_source") {
        let text = s.text("check_source", None, cron::RULE);
        text.and_then(|text| {
            let parsed = cron::parse(&text, context.now);
            parsed.map_err(|found| s.refuse_with("check_source", cron::RULE, found)).ok()
        })
    } else {
        s.ignore("check_source");
        None
    };
    s.close();
    Some(ScheduleConfig { cron: schedule?, sun_above_deg, sun_below_deg, local_window_s, window_s, check_source })
}

fn read_exposure(s: &Section) -> Option<ExposureConfig> {
    let target_level = s.number("target_level", Some(0.75), Range::between(0.1, 0.9, "of full scale"));
    let integration_min_ms = s.number("integration_min_ms", Some(1.0), Range::above(0.0, "ms").up_to(600_000.0));
    let integration_max_ms = s.number("integration_max_ms", Some(10_000.0), Range::above(0.0, "ms").up_to(600_000.0));
    if let (Some(min), Some(max)) = (integration_min_ms, integration_max_ms)
        && !(min <= max)
    {
        s.refuse_with(
            if s.has("integration_min_ms") { "integration_min_ms" } else { "integration_max_ms" },
            "integration_min_ms of at most integration_max_ms",
            format!("{min} and {max}"),
        );
    }
    let budget_s = s.number("budget_s", Some(20.0), Range::above(0.0, "s").up_to(3600.0));
    if let (Some(min), Some(budget)) = (integration_min_ms, budget_s)
        && !(min * 1e-3 < budget)
    {
        s.refuse("budget_s", format!("more than the shortest integration time ({min} ms)"));
    }
    let exposures = s.integer("exposures", Some(2), Range::between(1.0, 4.0, ""));
    let bracketing = s.boolean("bracketing", true);
    let bracket_ratio = s.number("bracket_ratio", Some(70.0), Range::between(2.0, 1000.0, ""));
    let bracket_exposures = s.integer("bracket_exposures", Some(1), Range::between(1.0, 4.0, ""));
    let discard_frames = s.integer("discard_frames", Some(0), Range::between(0.0, 10.0, "frames"));
    let unsteady_share = s.number("unsteady_share", Some(0.05), Range::above(0.0, "").up_to(1.0));
    s.close();
    Some(ExposureConfig {
        target_level: target_level?,
        integration_min_s: integration_min_ms? * 1e-3,
        integration_max_s: integration_max_ms? * 1e-3,
        budget_s: budget_s?,
        exposures: exposures?,
        bracket_ratio: bracketing.then_some(bracket_ratio?),
        bracket_exposures: bracket_exposures?,
        discard_frames: discard_frames?,
        unsteady_share: unsteady_share?,
    })
}

fn read_darks(s: &Section, kind: Option<StationKind>) -> Option<DarksConfig> {
    let rule = "a list of `shutter`, `night`, `covered`, at least one and none twice";
    let sources = if s.has("sources") {
        let names = s.texts("sources", true, rule);
        names.and_then(|names| {
            let sources: Option<Vec<DarkSource>> = names.iter().map(|n| DarkSource::from_name(n)).collect();
            let distinct = |list: &Vec<DarkSource>| (1..list.len()).all(|i| !list[..i].contains(&list[i]));
            let sources = sources.filter(|list| !list.is_empty() && distinct(list));
            if sources.is_none() {
                s.refuse("sources", rule);
            }
            sources
        })
    } else {
        s.ignore("sources");
        let without_sun = kind == Some(StationKind::Lamp);
        Some(DarkSource::ALL.into_iter().filter(|source| !(without_sun && *source == DarkSource::Night)).collect())
    };
    if kind == Some(StationKind::Lamp) && sources.as_ref().is_some_and(|list| list.contains(&DarkSource::Night)) {
        s.refuse("sources", "no `night` under kind `lamp`, since lamps may be on at night");
    }
    let exposures = s.integer("exposures", Some(8), Range::between(1.0, 256.0, ""));
    let refresh_min = s.number("refresh_min", Some(20.0), Range::above(0.0, "min").up_to(10_080.0));
    let max_age_min = s.number("max_age_min", Some(60.0), Range::above(0.0, "min").up_to(10_080.0));
    if let (Some(refresh), Some(max)) = (refresh_min, max_age_min)
        && !(refresh <= max)
    {
        let key = if s.has("refresh_min") { "refresh_min" } else { "max_age_min" };
        s.refuse_with(key, "refresh_min of at most max_age_min", format!("{refresh} and {max}"));
    }
    let difference = s.number("max_temperature_difference_k", Some(1.0), Range::above(0.0, "K").up_to(20.0));
    let night_below_deg = s.number("night_below_deg", Some(-12.0), Range::between(-90.0, -6.0, "degrees"));
    let night_sky_lx = s.number("night_sky_lx", Some(DEFAULT_NIGHT_SKY_LX), Range::between(0.0, 1.0, "lx"));
    let night_every_min = s.number("night_every_min", Some(60.0), Range::above(0.0, "min").up_to(1440.0));
    let model_max_age_days = s.number("model_max_age_days", Some(30.0), Range::above(0.0, "days").up_to(3660.0));
    let dark_set_max_s = s.number("dark_set_max_s", Some(60.0), Range::above(0.0, "s").up_to(600.0));
    s.close();
    Some(DarksConfig {
        sources: sources?,
        exposures: exposures?,
        refresh_s: refresh_min? * 60.0,
        max_age_s: max_age_min? * 60.0,
        max_temperature_difference_k: difference?,
        night_below_deg: night_below_deg?,
        night_sky_lx: night_sky_lx?,
        night_every_s: night_every_min? * 60.0,
        model_max_age_s: model_max_age_days? * 86_400.0,
        dark_set_max_s: dark_set_max_s?,
    })
}

fn read_limits(s: &Section) -> Option<LimitsConfig> {
    let low_sun_deg = s.number("low_sun_deg", Some(90.0), Range::between(0.0, 90.0, "degrees"));
    let lamp_rating_ppfd = s.optional_number("lamp_rating_ppfd", Range::above(0.0, "umol m-2 s-1"));
    let dark_offset_counts = s.number("dark_offset_counts", Some(20.0), Range::above(0.0, "counts"));
    let dark_rate_relative = s.number("dark_rate_relative", Some(0.5), Range::above(0.0, ""));
    let wavelength_drift_nm = s.number("wavelength_drift_nm", Some(0.1), Range::above(0.0, "nm").up_to(10.0));
    let wavelength_apply = s.parse_with("wavelength_shift", Some("flag"), "`flag` or `apply`", |text| match text {
        "flag" => Some(false),
        "apply" => Some(true),
        _ => None,
    });
    let wavelength_growth =
        s.number("wavelength_growth_nm_per_year", Some(0.05), Range::at_least(0.0, "nm a year, k = 1").up_to(10.0));
    let response_drift_relative = s.number("response_drift_relative", Some(0.07), Range::above(0.0, "").up_to(1.0));
    let response_growth =
        s.number("response_growth_per_year", Some(0.02), Range::at_least(0.0, "a year, k = 1").up_to(1.0));
    let uncertainty = s.optional_section("uncertainty").map_or(Some(Vec::new()), |limits| read_uncertainty(&limits));
    s.close();
    Some(LimitsConfig {
        low_sun_deg: low_sun_deg?,
        uncertainty: uncertainty?,
        lamp_rating_ppfd,
        dark_offset_counts: dark_offset_counts?,
        dark_rate_relative: dark_rate_relative?,
        wavelength_drift_nm: wavelength_drift_nm?,
        wavelength_apply: wavelength_apply?,
        wavelength_growth_nm_per_year: wavelength_growth?,
        response_drift_relative: response_drift_relative?,
        response_growth_per_year: response_growth?,
    })
}

fn read_uncertainty(s: &Section) -> Option<Vec<(String, f64, f64)>> {
    let limits = s.keys().into_iter().map(|id| {
        if quantities::index_of(&id).is_none() {
            s.refuse_with(&id, "the identifier of a quantity", "an unknown name");
            return None;
        }
        let limit = s.entry(&id);
        let relative = limit.number("relative", Some(0.0), Range::at_least(0.0, "k = 2").up_to(10.0));
        let absolute = limit.number("absolute", Some(0.0), Range::at_least(0.0, "in the quantity's unit, k = 2"));
        if relative == Some(0.0) && absolute == Some(0.0) {
            s.refuse_with(&id, "relative or absolute above 0, or no value could be good", "neither");
        }
        limit.close();
        Some((id, relative?, absolute?))
    });
    limits.collect::<Vec<_>>().into_iter().collect()
}
