//! The invented station of the benchmarks' databases.

pub const STATION: &str = r#"
version = 1
[station]
name = "Example roof"
kind = "roof"
latitude_deg = 48.0
longitude_deg = 11.0
altitude_m = 300
time_zone = "Europe/Berlin"
[[instrument]]
name = "roof"
link = "in-process"
baud = 921600
[instrument.schedule]
cron = "0 * * * * *"
[instrument.darks]
sources = ["shutter"]
"#;
