//! What the writer remembers of the store, so that it need not look for each
//! sample. All of it can be found again, and is, after a write that failed.

use crate::intern::Interned;
use crate::packed::Packer;
use crate::seal::Tails;
use crate::summary::Summaries;

/// It all.
#[derive(Debug, Default)]
pub(crate) struct Working {
    pub(crate) interned: Interned,
    pub(crate) tails: Tails,
    pub(crate) summaries: Summaries,
    /// Not a memory of the store, but kept as long.
    pub(crate) packer: Packer,
}
