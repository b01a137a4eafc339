//! Darks and dark models on record: loading and storing what a [`DarkSet`] works with.

use crate::clock::UtcMicros;
use crate::darks::{DarkSet, FittedModel};
use crate::record::Dark;
use crate::reduction::DarkModel;
use crate::store::{Store, StoreError};

/// Darks are loaded from this far back [s].
const LOADED_S: f64 = 10.0 * 86_400.0;

/// Darks of the last days, in the order of time, and the newest model. What is damaged is reported and left out.
pub fn load(
    store: &Store,
    instrument_row: i64,
    now: UtcMicros,
) -> Result<(Vec<Dark>, Option<FittedModel>), StoreError> {
    let mut darks = Vec::new();
    for dark in store.darks(instrument_row, now.plus_seconds(-LOADED_S))? {
        match dark {
            Ok(dark) => darks.push(dark),
            Err(why) => tracing::error!("a stored dark cannot be used: {why}"),
        }
    }
    let model = store.latest_dark_model(instrument_row)?.and_then(|stored| match DarkModel::decode(&stored.blob) {
        Ok(model) => Some(FittedModel { row: stored.id, fitted_at: stored.fitted_at, model }),
        Err(why) => {
            tracing::error!("the stored dark model cannot be used: {why}");
            None
        }
    });
    Ok((darks, model))
}

/// Stores an accepted dark; `None` where the store cannot take it now: it is lost, and another one is taken soon.
pub fn store_dark(store: &Store, instrument_row: i64, dark: Dark) -> Result<Option<Dark>, StoreError> {
    match store.add_dark(instrument_row, &dark) {
        Ok(id) => Ok(Some(Dark { id, ..dark })),
        Err(error) if error.can_wait() => {
            tracing::error!("{error}: a dark could not be stored");
            Ok(None)
        }
        Err(error) => Err(error),
    }
}

/// Fits the model anew where that is due, stores it and lets it be used; answers with the new one.
pub fn refit<'a>(
    store: &Store,
    instrument_row: i64,
    darks: &'a mut DarkSet,
    now: UtcMicros,
) -> Result<Option<&'a FittedModel>, StoreError> {
    let model = match darks.fit(now) {
        None => return Ok(None),
        Some(Err(why)) => {
            tracing::debug!("no dark model yet: {why}");
            return Ok(None);
        }
        Some(Ok(model)) => model,
    };
    match store.add_dark_model(instrument_row, now, &model.encode()) {
        Ok(row) => Ok(Some(darks.adopt(FittedModel { row, fitted_at: now, model }))),
        // The darks are still there: it is fitted again when the store can take it.
        Err(error) if error.can_wait() => Ok(None),
        Err(error) => Err(error),
    }
}
