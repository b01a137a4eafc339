//! Measured minute series of two radiation stations, fetched by `tests/all`.

use std::path::{Path, PathBuf};

/// The folder with `bsrn-pay0616.dat.gz` and `surfrad-slv16001.dat`: `VIGILUX_MEASURED`, else target/measured.
pub fn folder() -> PathBuf {
    let fetched = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/measured");
    let folder = std::env::var_os("VIGILUX_MEASURED").map_or(fetched, PathBuf::from);
    for file in ["bsrn-pay0616.dat.gz", "surfrad-slv16001.dat"] {
        assert!(
            folder.join(file).exists(),
            "expected the measured series {file} in {}, but there is none: run tests/all once, or set VIGILUX_MEASURED",
            folder.display()
        );
    }
    folder
}
