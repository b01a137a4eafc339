//! Model of a disk that loses power: what is certainly on it, what may be, and what may have happened to unsynced writes.
//!
//! Synced data are there. Of everything written since, each write may be there whole, not at all, in some of its 512-byte
//! sectors, or its 4 KiB blocks may hold rubbish, neighbours included. Creations, removals and renamings keep their order and
//! are on the disk with the next sync of any file, as with a journal that commits in order (ext4, XFS); without a sync any
//! leading part of them may be. What was written before a sync that failed is lost, whatever is synced later.

use crate::recording::Entry;
use rand::Rng;
use std::collections::BTreeMap;
use std::sync::Arc;

const SECTOR: usize = 512;
const BLOCK: usize = 4096;

/// A change of a file's content that no sync has confirmed.
#[derive(Clone)]
enum Change {
    Write { at: usize, data: Arc<[u8]> },
    Cut(usize),
}

#[derive(Default)]
struct File {
    synced: Vec<u8>,
    since: Vec<Change>,
}

#[derive(Clone)]
enum Naming {
    Link(String, usize),
    Unlink(String),
    Rename(String, String),
}

impl Naming {
    fn apply(&self, names: &mut BTreeMap<String, usize>) {
        match self {
            Self::Link(name, file) => drop(names.insert(name.clone(), *file)),
            Self::Unlink(name) => drop(names.remove(name)),
            Self::Rename(from, to) => {
                if let Some(file) = names.remove(from) {
                    names.insert(to.clone(), file);
                }
            }
        }
    }
}

/// The fate of unsynced changes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Policy {
    /// Nothing of it is on the disk.
    NothingMore,
    /// All of it is.
    Everything,
    /// Each change has its own fate; this percentage is kept whole.
    Mixed { kept: u32 },
}

/// The files after a power cut, by name.
pub type Image = BTreeMap<String, Vec<u8>>;

/// The disk during the playback of the record.
#[derive(Default)]
pub struct Disk {
    files: Vec<File>,
    /// Files as the program sees them.
    names: BTreeMap<String, usize>,
    /// Files as they are certainly on the disk.
    synced_names: BTreeMap<String, usize>,
    namings_since: Vec<Naming>,
    /// The newest acknowledged reading.
    pub acknowledged: i64,
}

impl Disk {
    /// Applies one entry.
    pub fn apply(&mut self, entry: &Entry) {
        match entry {
            Entry::Created(name) => {
                self.files.push(File::default());
                self.name(Naming::Link(name.clone(), self.files.len() - 1));
            }
            Entry::Removed(name) => self.name(Naming::Unlink(name.clone())),
            Entry::Renamed(from, to) => self.name(Naming::Rename(from.clone(), to.clone())),
            Entry::Written { file, at, data } => self.change(file, Change::Write { at: *at, data: Arc::clone(data) }),
            Entry::Cut { file, length } => self.change(file, Change::Cut(*length)),
            Entry::Synced(name) => {
                if let Some(file) = self.names.get(name) {
                    let file = &mut self.files[*file];
                    for change in std::mem::take(&mut file.since) {
                        keep(&mut file.synced, &change);
                    }
                }
                self.sync_names();
            }
            // The operating system calls its pages clean: no later sync writes what was not written.
            Entry::Unsynced(name) => {
                if let Some(file) = self.names.get(name) {
                    self.files[*file].since.clear();
                }
            }
            Entry::FolderSynced => self.sync_names(),
            Entry::Acknowledged(id) => self.acknowledged = self.acknowledged.max(*id),
        }
    }

    fn name(&mut self, naming: Naming) {
        naming.apply(&mut self.names);
        self.namings_since.push(naming);
    }

    fn change(&mut self, name: &str, change: Change) {
        // A file that was removed while it was open is nowhere after a power cut.
        if let Some(file) = self.names.get(name) {
            self.files[*file].since.push(change);
        }
    }

    fn sync_names(&mut self) {
        for naming in self.namings_since.drain(..) {
            naming.apply(&mut self.synced_names);
        }
    }

    /// The number of unsynced changes.
    pub fn unsynced(&self) -> usize {
        self.namings_since.len() + self.names.values().map(|f| self.files[*f].since.len()).sum::<usize>()
    }

    /// A state that may be found after a power cut at this point.
    pub fn cut(&self, policy: Policy, rng: &mut impl Rng) -> Image {
        let mut names = self.synced_names.clone();
        let namings = match policy {
            Policy::NothingMore => 0,
            Policy::Everything => self.namings_since.len(),
            Policy::Mixed { .. } => rng.random_range(0..=self.namings_since.len()),
        };
        self.namings_since[..namings].iter().for_each(|n| n.apply(&mut names));
        let image = |file: usize, rng: &mut _| {
            let file = &self.files[file];
            let mut bytes = file.synced.clone();
            match policy {
                Policy::NothingMore => {}
                Policy::Everything => file.since.iter().for_each(|c| keep(&mut bytes, c)),
                Policy::Mixed { kept } => file.since.iter().for_each(|c| meet_fate(&mut bytes, c, kept, rng)),
            }
            bytes
        };
        names.into_iter().map(|(name, file)| (name, image(file, rng))).collect()
    }
}

fn keep(bytes: &mut Vec<u8>, change: &Change) {
    match change {
        Change::Write { at, data } => put(bytes, *at, data),
        Change::Cut(length) => bytes.resize(*length, 0),
    }
}

fn put(bytes: &mut Vec<u8>, at: usize, data: &[u8]) {
    let end = at + data.len();
    if bytes.len() < end {
        bytes.resize(end, 0);
    }
    bytes[at..end].copy_from_slice(data);
}

fn meet_fate(bytes: &mut Vec<u8>, change: &Change, kept: u32, rng: &mut impl Rng) {
    let whole = rng.random_ratio(kept, 100);
    let Change::Write { at, data } = change else {
        if whole {
            keep(bytes, change);
        }
        return;
    };
    let end = at + data.len();
    if whole {
        return put(bytes, *at, data);
    }
    match rng.random_range(0..3) {
        0 => {}
        1 => {
            for sector in at / SECTOR..end.div_ceil(SECTOR) {
                if rng.random() {
                    let (a, b) = ((sector * SECTOR).max(*at), ((sector + 1) * SECTOR).min(end));
                    put(bytes, a, &data[a - at..b - at]);
                }
            }
        }
        _ => {
            put(bytes, *at, data);
            let blocks = at / BLOCK * BLOCK..(end.div_ceil(BLOCK) * BLOCK).min(bytes.len());
            // Rubbish, or the zeros of a block that was set aside and never written.
            if rng.random() { rng.fill(&mut bytes[blocks]) } else { bytes[blocks].fill(0) }
        }
    }
}
