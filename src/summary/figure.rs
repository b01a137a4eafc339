//! The figures of a day: what each is called, its unit and its definition.

use crate::clock::UtcMicros;
use serde::{Deserialize, Serialize};

/// What a figure is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FigureInfo {
    /// Identifier: JSON key and CSV header.
    pub id: &'static str,
    /// Unit, ASCII.
    pub unit: &'static str,
    /// What it is, with its source where one defines it.
    pub definition: &'static str,
    /// Whether it is about ultraviolet radiation and has to be read with its caution.
    pub ultraviolet: bool,
    /// What a number of it comes with.
    pub comes_with: ComesWith,
}

/// What a number comes with beside the share that is suspect.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ComesWith {
    /// A standard uncertainty.
    pub uncertainty: bool,
    /// The share of the day it was made from.
    pub data_coverage: bool,
    /// When it was.
    pub time: bool,
}

/// A sum over the day, or a share of one.
const SUM: ComesWith = ComesWith { uncertainty: true, data_coverage: true, time: false };
const DURATION: ComesWith = ComesWith { uncertainty: false, data_coverage: true, time: false };
const EXTREME: ComesWith = ComesWith { uncertainty: true, data_coverage: false, time: true };
const MEAN: ComesWith = ComesWith { uncertainty: true, data_coverage: false, time: false };
const LENGTH: ComesWith = ComesWith { uncertainty: false, data_coverage: false, time: false };

const fn info(id: &'static str, unit: &'static str, comes_with: ComesWith, definition: &'static str) -> FigureInfo {
    FigureInfo { id, unit, definition, ultraviolet: false, comes_with }
}

const fn ultraviolet(
    id: &'static str,
    unit: &'static str,
    comes_with: ComesWith,
    definition: &'static str,
) -> FigureInfo {
    FigureInfo { id, unit, definition, ultraviolet: true, comes_with }
}

/// Every figure, in the order in which they are shown.
pub const FIGURES: [FigureInfo; 12] = [
    info("light_integral", "mol m-2 d-1", SUM, "daily light integral: ppfd over the day"),
    info("sun_share", "1", SUM, "share of the light integral that is not the lamps'"),
    info(
        "lamps_share",
        "1",
        SUM,
        "share of the light integral from lamps: their level while the sun is below -6 degrees, times the time their schedule \
         has them shine",
    ),
    info("photoperiod", "h", DURATION, "time with ppfd above daily.photoperiod_ppfd"),
    info("hours_above", "h", DURATION, "time with ppfd above daily.hours_above_ppfd"),
    info("ppfd_maximum", "umol m-2 s-1", EXTREME, "highest ppfd of a reading, and when"),
    info("lux_hours", "lx h", SUM, "illuminance over the day"),
    ultraviolet(
        "erythemal_dose",
        "J m-2",
        SUM,
        "erythemal radiant exposure: erythemal_irradiance over the day (ISO/CIE 17166:2019)",
    ),
    ultraviolet(
        "erythemal_dose_sed",
        "SED",
        SUM,
        "the same in standard erythema doses of 100 J m-2 (ISO/CIE 17166:2019)",
    ),
    ultraviolet(
        "uv_index_maximum",
        "1",
        EXTREME,
        "highest mean of uv_index over 30 minutes that begin or end at a reading, and their middle (WHO 2002)",
    ),
    info(
        "dusk_red_far_red_ratio",
        "1",
        MEAN,
        "mean red_far_red_ratio of readings in the evening's civil twilight: sun in the west, from 0 to -6 degrees",
    ),
    info("dusk_minutes", "min", LENGTH, "time from the first to the last of these readings"),
];

/// A figure, or why there is none.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Figure {
    /// A number.
    Value {
        /// In the figure's unit.
        value: f64,
        /// Standard uncertainty (k = 1), same unit, where it can be stated: an upper bound, taking all of the readings'
        /// uncertainty as common to the day.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        uncertainty: Option<f64>,
        /// Share that rests on suspect values [1].
        suspect_share: f64,
        /// Share of the day it was made from [1]; `None` where it is no sum over the day.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        data_coverage: Option<f64>,
        /// When, for an extreme.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        time: Option<UtcMicros>,
    },
    /// None, and the reason.
    Null {
        /// Why there is none.
        reason: String,
    },
}

impl Figure {
    /// The number, where there is one.
    pub fn value(&self) -> Option<f64> {
        match self {
            Self::Value { value, .. } => Some(*value),
            Self::Null { .. } => None,
        }
    }

    pub(super) fn null(reason: impl Into<String>) -> Self {
        Self::Null { reason: reason.into() }
    }
}
