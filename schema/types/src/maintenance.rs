//! Work on the record as a whole that takes a while: asked for, followed,
//! given up. What it came to stays with it.

use serde::{Deserialize, Serialize};

use crate::api::ErrorResponse;

/// `POST /v1/maintenance`: what is to be done. Paths are the daemon's.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum MaintenanceRequest {
    /// Copy the record while it is written.
    Backup {
        /// The file to make.
        to: String,
    },
    /// Read everything through for damage.
    Check,
    /// Put small chunks together, and give free pages back to the disk.
    Compact,
    /// Save what can be read of a store that was set aside.
    Salvage {
        /// The damaged store.
        from: String,
        /// The store to make.
        to: String,
    },
    /// Check a backup, and say what restoring it takes and costs.
    RestorePlan {
        /// The backup.
        backup: String,
    },
    /// Refused while a daemon runs: it says what to do instead.
    Restore {
        /// The backup.
        backup: String,
    },
}

/// How a job stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum JobState {
    /// It is being done.
    Running,
    /// It is done.
    Done,
    /// It could not be done.
    Failed,
    /// It was given up; nothing is left of it.
    Cancelled,
}

/// `GET /v1/maintenance/{job}`, and a line of `GET /v1/maintenance`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Job {
    /// Its number, counted since the daemon began.
    pub id: u64,
    /// What was asked for.
    pub request: MaintenanceRequest,
    /// How it stands.
    pub state: JobState,
    /// How far it is.
    pub done: u64,
    /// How far it goes; 0 where that is not known.
    pub all: u64,
    /// In what: `bytes`, `chunks`, `tables`, `pages`.
    pub unit: String,
    /// What it came to, once done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub outcome: Option<JobOutcome>,
    /// Why it could not be done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trouble: Option<ErrorResponse>,
}

/// What a job came to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum JobOutcome {
    /// The copy.
    Backup {
        /// The file.
        file: String,
        /// All samples up to this number are in it.
        recorded_up_to: u64,
    },
    /// What was found.
    Check(CheckedRecord),
    /// What was done.
    Compact {
        /// Chunks that became fewer.
        chunks: u64,
        /// Chunks of the frame log that became fewer.
        frame_chunks: u64,
        /// Bytes given back to the disk.
        freed_bytes: u64,
    },
    /// What came over.
    Salvage {
        /// The store that was made.
        file: String,
        /// Samples in it.
        samples: u64,
        /// Chunks of samples that could not be read, by number.
        lost_chunks: Vec<i64>,
        /// Chunks of the frame log that could not be read.
        lost_frame_chunks: Vec<i64>,
        /// Tables of which something could not be read.
        damaged_tables: Vec<String>,
    },
    /// What restoring takes and costs.
    RestorePlan(RestorePlan),
}

/// What reading everything through found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CheckedRecord {
    /// The store.
    pub file: String,
    /// Chunks of samples that can be read.
    pub sound_chunks: u64,
    /// Samples in them.
    pub sound_samples: u64,
    /// Everything that cannot be read, in words; empty where all is sound.
    pub damage: Vec<String>,
}

/// What restoring a backup takes and costs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RestorePlan {
    /// The backup.
    pub backup: String,
    /// Whether it is one of the store that is recorded into.
    pub is_of_this_store: bool,
    /// Samples up to this number are in it.
    pub recorded_up_to: u64,
    /// Samples recorded since, which it does not have.
    pub samples_since: u64,
    /// Bytes it takes.
    pub bytes: u64,
    /// Bytes free where it would go.
    pub free_bytes: u64,
    /// What was found in it.
    pub checked: CheckedRecord,
    /// What to do, step by step.
    pub steps: Vec<String>,
}
