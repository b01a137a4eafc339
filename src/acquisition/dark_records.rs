//! Loads and stores the darks and dark models of a [`DarkSet`].

use crate::clock::UtcMicros;
use crate::darks::night::DARK_SET_STATE;
use crate::darks::{DarkSet, DarkSetState, DarksOnRecord, FittedModel};
use crate::record::Dark;
use crate::reduction::DarkModel;
use crate::store::{DarkModel as StoredModel, SavedState, Store, StoreError};

/// Maximum age of loaded darks [s].
const LOADED_S: f64 = 10.0 * 86_400.0;
/// Number of loaded covered darks of any age: more than one session takes.
const COVERED_LOADED: usize = 64;

/// Loads the darks, the model and the state of a set of darks. What is damaged is set aside ([`Reader::take_damage`](crate::store::Reader::take_damage)).
pub fn load(store: &Store, instrument_row: i64, now: UtcMicros) -> Result<DarksOnRecord, StoreError> {
    let state = load_state(store, instrument_row)?;
    let allowed = |darks: Vec<Result<Dark, StoreError>>| {
        let mut usable = store.intact(darks)?;
        usable.retain(|dark| state.allows_dark(dark.id));
        Ok::<_, StoreError>(usable)
    };
    let darks = allowed(store.darks(instrument_row, now.plus_seconds(-LOADED_S))?)?;
    let covered = allowed(store.covered_darks(instrument_row, COVERED_LOADED)?)?;
    let latest = unless_damaged(store, store.latest_dark_model(instrument_row))?;
    let stored = match latest.as_ref().map(|latest| (latest.id, state.model_to_use(latest.id))) {
        None | Some((_, None)) => None,
        Some((newest, Some(row))) if row == newest => latest,
        Some((_, Some(row))) => unless_damaged(store, store.dark_model(row))?,
    };
    let model = stored.and_then(|stored| usable_model(store, stored));
    Ok(DarksOnRecord { darks, covered, model, state })
}

fn usable_model(store: &Store, stored: StoredModel) -> Option<FittedModel> {
    match DarkModel::decode(&stored.blob) {
        Ok(model) => Some(FittedModel { row: stored.id, fitted_at: stored.fitted_at, model }),
        Err(why) => {
            store.set_aside("dark_model", stored.id, &why);
            None
        }
    }
}

/// A stored row; `None` where it is damaged, which is remembered.
pub fn unless_damaged<T>(store: &Store, row: Result<Option<T>, StoreError>) -> Result<Option<T>, StoreError> {
    Ok(store.intact([row])?.pop().flatten())
}

fn load_state(store: &Store, instrument_row: i64) -> Result<DarkSetState, StoreError> {
    let Some(saved) = store.load_state(instrument_row, DARK_SET_STATE)? else { return Ok(DarkSetState::default()) };
    Ok(serde_json::from_str(&saved.json).unwrap_or_else(|why| {
        store.set_aside_state(instrument_row, DARK_SET_STATE, &why.to_string());
        DarkSetState::default()
    }))
}

/// Saves the state of a set of darks if it changed. If the database cannot be written, the state is saved at the next change.
pub fn save_state(
    store: &Store,
    instrument: i64,
    (before, after): (&DarkSetState, &DarkSetState),
    time: UtcMicros,
) -> Result<(), StoreError> {
    if before == after {
        return Ok(());
    }
    // Serialising this structure cannot fail.
    let json = serde_json::to_string(after).unwrap_or_default();
    match store.save_state(&SavedState { instrument, name: DARK_SET_STATE.to_owned(), json, time }) {
        Err(error) if error.is_transient() => Ok(()),
        other => other,
    }
}

/// Stores an accepted dark; `None` if the database cannot be written: the dark is discarded, and another is taken soon.
pub fn store_dark(store: &Store, instrument_row: i64, dark: Dark) -> Result<Option<Dark>, StoreError> {
    match store.add_dark(instrument_row, &dark) {
        Ok(id) => Ok(Some(Dark { id, ..dark })),
        Err(error) if error.is_transient() => {
            tracing::error!("{error}: a dark could not be stored");
            Ok(None)
        }
        Err(error) => Err(error),
    }
}

/// Fits the dark model if that is due, stores it and makes it the model of the set; returns the new model.
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
        // The darks remain in the set; the fit is repeated later.
        Err(error) if error.is_transient() => Ok(None),
        Err(error) => Err(error),
    }
}
