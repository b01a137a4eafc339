//! Stores recomputed values in batches, whose size is adapted to the duration of the transactions.
//!
//! The daemon writes to the same database meanwhile and waits for each of these transactions.

use crate::store::{NewValues, Store, StoreError};
use std::time::{Duration, Instant};

/// Readings in the first transaction.
const FIRST_BATCH: usize = 128;
/// The batch size doubles if a transaction takes less than the first duration, and halves if it takes more than the second.
const TRANSACTION_TIME: (Duration, Duration) = (Duration::from_millis(15), Duration::from_millis(40));
/// Maximum number of readings in a transaction, to limit memory.
const LARGEST_BATCH: usize = 2048;
/// Values deleted in one transaction.
const DELETED_AT_ONCE: u32 = 2048;

/// Stores the values of one computation.
pub struct BatchWriter<'a> {
    store: &'a Store,
    computation: i64,
    batch: Vec<NewValues>,
    batch_size: usize,
    longest: Duration,
}

impl<'a> BatchWriter<'a> {
    /// For a computation.
    pub fn new(store: &'a Store, computation: i64) -> Self {
        Self { store, computation, batch: Vec::new(), batch_size: FIRST_BATCH, longest: Duration::ZERO }
    }

    /// The database.
    pub fn store(&self) -> &'a Store {
        self.store
    }

    /// Duration of the longest transaction.
    pub fn longest_transaction(&self) -> Duration {
        self.longest
    }

    /// Adds values to the batch, and stores it when it is full.
    pub fn put(&mut self, values: NewValues) -> Result<(), StoreError> {
        self.batch.push(values);
        if self.batch.len() < self.batch_size { Ok(()) } else { self.flush() }
    }

    /// Stores the batch.
    pub fn flush(&mut self) -> Result<(), StoreError> {
        if self.batch.is_empty() {
            return Ok(());
        }
        let batch = std::mem::take(&mut self.batch);
        let started = Instant::now();
        let computation = self.computation;
        self.timed(|store| store.add_values(computation, &batch))?;
        let took = started.elapsed();
        if took > TRANSACTION_TIME.1 {
            self.batch_size = (self.batch_size / 2).max(1);
        } else if took < TRANSACTION_TIME.0 && batch.len() >= self.batch_size {
            self.batch_size = (self.batch_size * 2).min(LARGEST_BATCH);
        }
        Ok(())
    }

    /// Deletes an unfinished computation, in short transactions.
    pub fn discard(&mut self, computation: i64) -> Result<(), StoreError> {
        while !self.timed(|store| store.drop_computation(computation, DELETED_AT_ONCE))? {}
        Ok(())
    }

    /// Runs a transaction and measures its duration.
    pub fn timed<T>(&mut self, transaction: impl FnOnce(&Store) -> Result<T, StoreError>) -> Result<T, StoreError> {
        let started = Instant::now();
        let done = transaction(self.store);
        self.longest = self.longest.max(started.elapsed());
        done
    }
}
