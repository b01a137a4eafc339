//! The columns of each kind of sheet. Names are those of the database.

use super::What;
use super::sheet::{Column, Data};
use crate::quantities;

fn time(name: &str, title: &str) -> Column {
    Column::new(name, "", title, Data::Time(vec![]))
}

fn integer(name: &str, unit: &str, title: &str) -> Column {
    Column::new(name, unit, title, Data::Integer(vec![]))
}

fn real(name: &str, unit: &str, title: &str) -> Column {
    Column::new(name, unit, title, Data::Real(vec![]))
}

fn text(name: &str, title: &str) -> Column {
    Column::new(name, "", title, Data::Text(vec![]))
}

fn list(name: &str, unit: &str, title: &str) -> Column {
    Column::new(name, unit, title, Data::Spectrum(vec![]))
}

/// The columns of an export, without data. known: the quantities of the database with their units; windows: whether any reading has
/// statistics of a window.
pub fn columns(what: What, known: &[(String, String)], windows: bool) -> Vec<Column> {
    match what {
        What::Values => value_columns(known, windows),
        What::Spectra => spectrum_columns(),
        What::Reduction => reduction_columns(),
        What::Darks => dark_columns(),
        What::Frames => frame_columns(),
        What::Calibrations => calibration_columns(),
        What::DarkModels => dark_model_columns(),
        What::Detector => detector_columns(),
        What::Events => event_columns(),
    }
}

fn reading_columns() -> Vec<Column> {
    vec![
        integer("id", "", "sequence number of the reading"),
        time("time_start", "start of the first exposure"),
        time("time_mid", "mean time of the exposures: the time of the reading"),
        time("time_end", "end of the last exposure"),
        text("calibration", "name of the calibration"),
        integer("configuration", "", "row of the configuration"),
        integer("computation", "", "row of the computation"),
    ]
}

fn flags_column() -> Column {
    Column::new("flags", "1", "flags of the reading", Data::Flags(vec![]))
}

fn value_columns(known: &[(String, String)], windows: bool) -> Vec<Column> {
    let mut columns = reading_columns();
    columns.extend([
        real("sun_elevation", "degree", "apparent elevation of the sun"),
        real("sun_azimuth", "degree", "azimuth of the sun from north through east"),
        real("relative_air_mass", "1", "relative air mass"),
        real("detector_temperature", "degree_Celsius", "detector temperature"),
        text("exposures", "JSON: integration time in s and number of exposures of each bracket, shortest first"),
        real("integration_time_short", "s", "integration time of the shortest bracket"),
        real("integration_time_long", "s", "integration time of the longest bracket"),
        integer("exposure_count", "1", "number of exposures"),
        real("light_time", "s", "total integration time of all exposures"),
        real("peak_level", "1", "peak level of the shortest bracket, share of full scale"),
        real("signal_to_noise", "1", "median signal-to-noise ratio"),
        real("stray_floor", "s-1", "subtracted stray-light floor, in counts"),
        real("dark_age", "s", "age of the dark used"),
        real("uv_index_stray_share", "1", "share of the signal of the UV index that was subtracted as stray light"),
        real("lamps_ppfd", "umol m-2 s-1", "part of lamps in ppfd"),
        real("lamps_uncertainty", "umol m-2 s-1", "standard uncertainty (k = 1) of lamps_ppfd"),
        flags_column(),
        text("reasons", "JSON: reasons for absent values, by quantity"),
    ]);
    for (id, unit) in known {
        let title = quantities::registry().iter().find(|q| q.id == id).map_or(id.as_str(), |q| q.title);
        columns.push(real(id, unit, title));
        columns.push(real(&format!("{id}_uncertainty"), unit, &format!("standard uncertainty (k = 1) of {id}")));
        columns.push(Column::new(&format!("{id}_verdict"), "1", &format!("verdict of {id}"), Data::Verdict(vec![])));
        columns.push(Column::new(&format!("{id}_flags"), "1", &format!("flags of {id}"), Data::Flags(vec![])));
        if windows {
            columns.push(real(&format!("{id}_minimum"), unit, &format!("minimum of {id} in the window")));
            columns.push(real(&format!("{id}_maximum"), unit, &format!("maximum of {id} in the window")));
            columns.push(real(&format!("{id}_deviation"), unit, &format!("standard deviation of {id} in the window")));
        }
    }
    columns
}

fn spectrum_columns() -> Vec<Column> {
    let mut columns = reading_columns();
    columns.push(flags_column());
    columns.push(list("spectral_irradiance", "W m-2 nm-1", "spectral irradiance"));
    columns.push(list(
        "spectral_irradiance_uncertainty",
        "W m-2 nm-1",
        "standard uncertainty (k = 1) of the spectral irradiance",
    ));
    columns
}

fn reduction_columns() -> Vec<Column> {
    let mut columns = reading_columns();
    columns.extend([
        real("wavelength_shift", "nm", "shift of the wavelength scale from that of the calibration"),
        real("stray_floor", "s-1", "subtracted stray-light floor, in counts"),
        real("beam_response", "1", "response to the sun's beam over the ideal response"),
        real("diffuse_response", "1", "response to the light of the sky over the ideal response"),
        real("lamp_response", "1", "response to the light of lamps over the ideal response"),
        list("beam_share", "1", "share of the sun's beam in the light of sun and sky"),
        list("cosine_factor", "1", "response over the ideal response: the irradiance of sun and sky was divided by it"),
        list(
            "lamp_rate",
            "s-1",
            "rate of the light of known lamps, in counts; its irradiance was divided by lamp_response",
        ),
        list("dark_light", "W m-2 nm-1", "irradiance that was added for light in the darks"),
        list("pixel_irradiance", "W m-2 nm-1", "spectral irradiance of the pixel"),
    ]);
    columns
}

/// Start and end of the exposures, and how they were taken.
fn exposure_columns() -> Vec<Column> {
    vec![
        time("time_start", "start of the first exposure"),
        time("time_end", "end of the last exposure"),
        real("integration_time", "s", "integration time of each exposure"),
        integer("exposures", "1", "number of exposures summed"),
        real("detector_temperature", "degree_Celsius", "detector temperature"),
        text("clipped", "JSON: ranges of pixels above the saturation limit, first and last inclusive"),
    ]
}

fn counts_column() -> Column {
    Column::new("counts", "1", "sum of the counts of the exposures", Data::Counts(vec![]))
}

fn dark_columns() -> Vec<Column> {
    let mut columns = vec![integer("id", "", "row of the dark"), text("source", "source of darkness")];
    columns.extend(exposure_columns());
    columns.push(counts_column());
    columns
}

fn frame_columns() -> Vec<Column> {
    let mut columns = vec![
        integer("reading", "", "sequence number of the reading"),
        integer("bracket", "", "number of the bracket, from the shortest"),
    ];
    columns.extend(exposure_columns());
    columns.extend([
        real("light_variation", "1", "largest relative change of the light between two exposures"),
        integer("dark", "", "row of the matched dark"),
        integer("dark_model", "", "row of the dark model"),
        counts_column(),
    ]);
    columns
}

fn calibration_columns() -> Vec<Column> {
    vec![
        integer("id", "", "row of the calibration"),
        text("instrument", "name of the instrument"),
        text("name", "name of the calibration"),
        time("active_since", "since when it is active"),
        text("program_version", "program that stored it"),
        text("sha256", "checksum of the text"),
        integer("stray_matrix", "", "row of the stray-light matrix"),
        text("text", "the calibration file, TOML"),
    ]
}

fn dark_model_columns() -> Vec<Column> {
    vec![
        integer("id", "", "row of the dark model"),
        text("instrument", "name of the instrument"),
        time("fitted_at", "time of the fit"),
        time("newest", "end of the newest dark of the fit"),
        integer("darks", "1", "number of darks of the fit"),
        real("reference_temperature", "degree_Celsius", "temperature T0 of offsets and rates"),
        real("offset_per_kelvin", "K-1", "change of the offsets, in counts"),
        real("rate_exponent", "K-1", "exponent b of the rates: exp(b (T - T0)); absent if it could not be fitted"),
        real("rate_exponent_uncertainty", "K-1", "standard uncertainty of the exponent"),
        real("temperature_low", "degree_Celsius", "lowest temperature of the darks"),
        real("temperature_high", "degree_Celsius", "highest temperature of the darks"),
        real("integration_time_low", "s", "shortest integration time of the darks"),
        real("integration_time_high", "s", "longest integration time of the darks"),
        real("covariance_offset", "1", "variance of the offset of a pixel of unit weight, in counts squared"),
        real("covariance_offset_rate", "s-1", "covariance of offset and rate, in counts squared"),
        real("covariance_rate", "s-2", "variance of the rate, in counts squared"),
        real("light", "lx", "the most light that may be in the rates"),
        list("offset", "1", "offset at the reference temperature, in counts"),
        list("rate", "s-1", "dark rate at the reference temperature, in counts"),
    ]
}

fn detector_columns() -> Vec<Column> {
    vec![
        integer("id", "", "row of the instrument"),
        text("instrument", "name of the instrument"),
        text("serial", "serial number"),
        text("identity", "answer to *IDN?"),
        integer("pixels", "1", "number of pixels, including shielded ones"),
        integer("full_scale", "1", "full scale, in counts"),
        text("shielded", "JSON: ranges of shielded pixels, first and last inclusive"),
        real("integration_min", "s", "shortest integration time"),
        real("integration_max", "s", "longest integration time"),
        integer("has_shutter", "1", "1 if it has a shutter"),
        real("transfer", "s", "transfer time of one exposure"),
        time("first_seen", "when it was first connected"),
    ]
}

fn event_columns() -> Vec<Column> {
    vec![
        integer("id", "", "row of the event"),
        time("time", "time, or beginning"),
        time("until", "end; absent if it has none, or not yet"),
        text("instrument", "name of the instrument; absent for the whole station"),
        text("kind", "kind of the event"),
        text("cause", "cause of a gap, flag of a flagged interval, class of a note"),
        text("text", "text for the operator"),
        text("unaffected", "JSON: quantities that a flagged interval does not affect"),
        integer("pixel", "", "the pixel that a flagged interval affects, if only one"),
    ]
}
