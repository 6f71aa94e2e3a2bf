//! The regions of a data directory, opened when first asked for and again when their file changed.

use std::collections::HashMap;
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::SystemTime;

use planner::Planner;
use region::{OpenError, Region};
use thiserror::Error;

use crate::api::{RegionCounts, RegionInfo};
use crate::data::DataDir;

/// Why a region cannot be used.
#[derive(Debug, Error)]
pub enum RegionError {
    /// No file, or a name that none can have.
    #[error("there is no region '{name}'")]
    Unknown {
        /// Name asked for.
        name: String,
    },
    /// The file is not usable.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// The file holds roads that cannot be searched.
    #[error(transparent)]
    Unusable(#[from] planner::UnusableRegion),
}

/// What must be equal for a file to be the one that was opened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stamp {
    modified: Option<SystemTime>,
    bytes: u64,
    inode: u64,
}

impl Stamp {
    fn of(path: &Path) -> std::io::Result<Self> {
        let meta = path.metadata()?;
        #[cfg(unix)]
        let inode = std::os::unix::fs::MetadataExt::ino(&meta);
        #[cfg(not(unix))]
        let inode = 0;
        Ok(Stamp {
            modified: meta.modified().ok(),
            bytes: meta.len(),
            inode,
        })
    }
}

type Slot = Arc<Mutex<Option<(Stamp, Arc<Planner>)>>>;

/// Opens regions and keeps them open.
pub struct Regions {
    data: DataDir,
    slots: Mutex<HashMap<String, Slot>>,
}

impl Regions {
    /// Opens nothing yet.
    pub fn new(data: DataDir) -> Self {
        Regions {
            data,
            slots: Mutex::default(),
        }
    }

    /// A region by name, ready to plan on. Verifying a large one takes seconds; calls for the
    /// same region wait for each other, others do not.
    pub fn get(&self, name: &str) -> Result<Arc<Planner>, RegionError> {
        let unknown = || RegionError::Unknown {
            name: name.chars().take(80).collect(),
        };
        let path = self.data.region(name).ok_or_else(unknown)?;
        let stamp = match Stamp::of(&path) {
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
                self.slots().remove(name);
                return Err(unknown());
            }
            Err(source) => return Err(OpenError::Io { path, source }.into()),
            Ok(stamp) => stamp,
        };
        let slot = self.slots().entry(name.to_owned()).or_default().clone();
        let mut open = slot.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((of, planner)) = &*open
            && *of == stamp
        {
            return Ok(planner.clone());
        }
        // What is in use by others stays mapped until they are done.
        *open = None;
        let planner = Arc::new(Planner::new(Arc::new(Region::open(&path)?))?);
        *open = Some((stamp, planner.clone()));
        Ok(planner)
    }

    fn slots(&self) -> MutexGuard<'_, HashMap<String, Slot>> {
        self.slots.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Names of what there is, usable or not.
    pub fn names(&self) -> std::io::Result<Vec<String>> {
        self.data.region_names()
    }

    /// What there is, by name; unusable files with the reason.
    pub fn list(&self) -> std::io::Result<Vec<RegionInfo>> {
        let names = self.data.region_names()?;
        let infos = names.into_iter().filter_map(|name| match self.get(&name) {
            Ok(planner) => Some(info(name, planner.region())),
            Err(RegionError::Unknown { .. }) => None,
            Err(e) => Some(unusable(name, &e)),
        });
        Ok(infos.collect())
    }
}

/// Changes with the content of the region and with the edition of the tile maker.
pub(crate) fn edition(region: &Region) -> String {
    format!("{:016x}{}", region.id(), env!("LACET_TILES_EDITION"))
}

/// What is to be said of an open region. The name is the file's: that is what it is called by.
pub fn info(name: String, region: &Region) -> RegionInfo {
    let meta = region.meta();
    RegionInfo {
        name,
        id: edition(region),
        bounds_deg: meta.bounds_deg,
        data_date: meta.data_date.clone(),
        attribution: meta.attribution.clone(),
        bytes: region.len_bytes(),
        counts: RegionCounts {
            junctions: region.node_count(),
            pieces: region.piece_count(),
            turns: region.turn_head().len() as u32,
            places: region.place_kind().len() as u32,
            features: region.feature_kind().len() as u32,
        },
        drives_left: meta.drives_left,
        has_heights: meta.heights.is_some(),
        trouble: None,
    }
}

fn unusable(name: String, why: &RegionError) -> RegionInfo {
    RegionInfo {
        name,
        id: String::new(),
        bounds_deg: [0.0; 4],
        data_date: None,
        attribution: None,
        bytes: 0,
        counts: RegionCounts::default(),
        drives_left: false,
        has_heights: false,
        trouble: Some(why.to_string()),
    }
}
