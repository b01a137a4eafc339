//! The latest readings as JSON.

use super::View;
use crate::cli::Failure;
use crate::cli::monitors::{MonitorState, monitor_states};
use crate::record::{Event, QuantityValue, Reading};
use crate::store::StoredReading;
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

impl View<'_> {
    /// Everything that is shown.
    pub(super) fn json(&self) -> Result<Value, Failure> {
        let event = |e: &Event| {
            json!({
                "time": e.time.to_string(), "until": e.until.map(|t| t.to_string()), "instrument": e.instrument,
                "kind": e.kind.name(), "cause": e.kind.cause_name(), "text": e.text,
            })
        };
        let readings: Result<Vec<Value>, Failure> = self.readings.iter().map(|r| self.reading(r)).collect();
        let monitors = monitor_states(&self.archive.reader, self.archive.config.as_ref())?;
        Ok(json!({
            "station": self.archive.config.as_ref().map(|c| &c.station.name),
            "database": self.archive.reader.path().to_string_lossy(),
            "cautions": self.archive.cautions().into_iter().collect::<BTreeMap<_, _>>(),
            "readings": readings?,
            "saved_states": monitors.iter().map(MonitorState::json).collect::<Vec<_>>(),
            "last_event": self.event.map(event),
            "last_gap": self.gap.map(event),
        }))
    }

    fn reading(&self, stored: &StoredReading) -> Result<Value, Failure> {
        let (r, m) = (&stored.reading, stored.made_with);
        let calibration = match m.calibration {
            Some(id) => self.archive.reader.calibration(id)?.map(|c| c.name),
            None => None,
        };
        let exposures: Vec<Value> =
            r.exposures.iter().map(|e| json!({ "integration_s": e.integration_s, "exposures": e.exposures })).collect();
        Ok(json!({
            "id": r.id, "time_start": r.time_start.to_string(), "time_mid": r.time_mid.to_string(),
            "time_end": r.time_end.to_string(), "instrument": r.instrument, "calibration": calibration,
            "configuration": m.configuration, "computation": m.computation, "sun_elevation": r.sun_elevation,
            "sun_azimuth": r.sun_azimuth, "relative_air_mass": r.relative_air_mass,
            "detector_temperature": r.detector_temperature, "exposures": exposures, "peak_level": r.peak_level,
            "signal_to_noise": r.signal_to_noise, "stray_floor": r.stray_floor, "dark_age": r.dark_age,
            "flags": r.flags.names(), "verdicts": self.verdicts(r), "quantities": self.quantities_of(r),
        }))
    }

    fn quantities_of(&self, r: &Reading) -> Map<String, Value> {
        let mut quantities = Map::new();
        for (k, (id, unit)) in self.archive.reader.quantities().iter().enumerate() {
            let mut entry = match r.values.get(k) {
                Some(QuantityValue::Value { value, uncertainty, verdict }) => json!({
                    "value": value, "uncertainty": uncertainty, "verdict": verdict.name(), "unit": unit,
                    "flags": r.flags_of(k).names(),
                }),
                Some(QuantityValue::Null(reason)) => json!({ "value": null, "unit": unit, "reason": reason }),
                None => continue,
            };
            if let Some(share) = r.uv_index_stray_share.filter(|_| id == "uv_index") {
                entry["stray_share"] = json!(share);
            }
            if let Some(Some(w)) = r.window.get(k) {
                entry["minimum"] = json!(w.minimum);
                entry["maximum"] = json!(w.maximum);
                entry["deviation"] = json!(w.deviation);
            }
            quantities.insert(id.clone(), entry);
        }
        quantities
    }
}
