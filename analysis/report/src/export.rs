//! Files out. A file and what stands beside it carry units, the session's
//! identity, the version that wrote them and a checksum. Files are written to
//! whatever the caller gives; none is opened here.

mod bdf_csv;
mod columns;
mod line;
mod look;
mod metadata;
mod name;
mod order;
mod sum;
mod survey;

pub use bdf_csv::{Exported, export_bdf_csv};
pub use columns::ColumnNote;
pub use metadata::Metadata;
pub(crate) use name::plain as plain_name;
pub use name::{file_name, metadata_name};
pub(crate) use survey::Survey;
