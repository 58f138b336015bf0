//! Figures to words and files: sentences, session reports, exports.
//!
//! The way: [`Subject`] holds what is known of a session besides its samples,
//! [`SessionFeed`] takes the samples, live or from the store, and gives a
//! report; [`sentences`] says it, [`export`] writes it. Reads no clock; the
//! present comes in with [`View`].

mod answers;
mod before;
mod calibrations;
pub mod capture;
pub mod cautions;
pub mod compute;
pub mod damage;
pub mod dates;
pub mod export;
pub mod feed;
mod figures;
mod further;
mod history;
pub mod html;
pub mod lines;
pub mod numbers;
pub mod pack_feed;
pub mod pack_view;
mod placing;
mod progress;
pub mod select;
pub mod sentences;
pub mod session_report;
mod setting;
pub mod subject;
pub mod suggest;
pub mod timeline;
mod verdict;
mod warmth;
pub mod when;
mod zeroing;

pub use calibrations::correct_latest;
pub use compute::{Holding, ReportError, compute, holding, holding_fed};
pub use feed::{SessionFeed, Snapshot};
pub use lines::{calibration_lines, session_lines};
pub use pack_feed::{PackFeed, PackNews};
pub use session_report::{ReportInput, report};
pub use setting::{SAME_PACK, cutoff_volt, is_custody_confirmed, setting, unnamed};
pub use subject::{Clocks, Subject, View};
pub use suggest::suggestions;
pub use timeline::Timeline;
pub use verdict::{LIMIT, limit};
pub use when::{WhenError, parse_when};
