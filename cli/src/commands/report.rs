//! `ampledger report`: writes a session as one HTML page.

use std::io::Write;
use std::path::{Path, PathBuf};

use ampledger_report::html::file_name;
use clap::Args;
use serde::Serialize;

use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::origin::{Origin, StoreOption};
use crate::{files, screen};

/// Write a session as a page to look at
///
/// One HTML file with the claim, the curves of voltage and current, phases,
/// figures with what keeps each from being proven, what is odd in the data,
/// what happened, and the rules and versions behind it. Any browser shows and
/// prints it, on a phone too; it holds all it needs and loads nothing.
///
/// The file appears whole or not at all, and none is overwritten without
/// --force. With `--output -` the page goes to standard output.
#[derive(Args, Debug)]
pub struct Report {
    /// Number, pack's label, or `last`
    pub session: String,
    /// The file, or `-` for standard output [default: one in this folder,
    /// named after pack and session, as in `GAL-07-3.html`]
    #[arg(long, short, value_name = "FILE")]
    pub output: Option<PathBuf>,
    /// Overwrite a file that is there
    #[arg(long)]
    pub force: bool,
    /// Where to read.
    #[command(flatten)]
    pub store: StoreOption,
}

/// What a program is told.
#[derive(Serialize)]
struct Written {
    file: PathBuf,
    session: i64,
}

impl Report {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let origin = Origin::open(&self.store, context)?;
        let session = origin.session(&self.session)?;
        if self.output.as_deref() == Some(Path::new("-")) {
            let mut out = std::io::stdout().lock();
            origin.page(session.id, &mut out)?;
            out.flush()?;
            return Ok(Exit::Good);
        }
        let file = self.output.unwrap_or_else(|| PathBuf::from(file_name(&session)));
        files::refuse_taken(&file, self.force)?;
        let (page, ()) = files::prepare(&file, |to| origin.page(session.id, to))?;
        page.put(self.force)?;
        match context.json {
            true => screen::json(&Written { file, session: session.id })?,
            false => screen::say(&last_words(&file))?,
        }
        Ok(Exit::Good)
    }
}

fn last_words(file: &Path) -> String {
    let place = std::fs::canonicalize(file).unwrap_or_else(|_| file.to_owned());
    format!(
        "Wrote {}.\nOpen it in a browser: {}\nIt is one file and needs nothing else; send or print it as it is.",
        file.display(),
        address(&place)
    )
}

/// The address of a file for a browser (RFC 8089). Bytes beyond the plain ones
/// are written as RFC 3986, 2.1 wants them.
fn address(place: &Path) -> String {
    let mut address = "file://".to_owned();
    for byte in place.as_os_str().as_encoded_bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'-' | b'.' | b'_' | b'~' => {
                address.push(char::from(*byte));
            }
            other => address.push_str(&format!("%{other:02X}")),
        }
    }
    address
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_address_of_a_file_can_be_opened_whatever_its_name() {
        assert_eq!(address(Path::new("/shed/GAL-07-3.html")), "file:///shed/GAL-07-3.html");
        assert_eq!(address(Path::new("/a b/ü#1?.html")), "file:///a%20b/%C3%BC%231%3F.html");
    }
}
