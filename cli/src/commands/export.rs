//! `ampledger export`: writes a session as files that other programs read.

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use serde::Serialize;

use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::files;
use crate::origin::{Origin, StoreOption};
use crate::{plain_db, screen};

/// Write a session to a file
///
/// `bdf-csv` is the CSV form of the Battery Data Format, an open standard:
/// one row a sample, labels with units, times in seconds. Beside it goes a JSON
/// file with what the rows cannot hold: pack, tags, markers, phases, results
/// with their reasons, versions. So `gal-07.bdf.csv` gets
/// `gal-07.bdf.metadata.json`.
///
/// `sqlite` is a plain SQLite file for any tool that reads one: tables `session`,
/// `sample` (one row a sample, one column a channel), `channel`, `marker`, `phase`,
/// `result` and `tag`.
///
/// Files appear whole or not at all, and none is overwritten without --force.
/// With `--output -` the rows go to standard output and no JSON is written.
#[derive(Args, Debug)]
pub struct Export {
    /// Number, pack's label, or `last`
    pub session: String,
    /// Form of the file
    #[arg(long, value_enum, default_value_t = Format::BdfCsv)]
    pub format: Format,
    /// The file, or `-` for standard output
    #[arg(long, short, value_name = "FILE")]
    pub output: PathBuf,
    /// Overwrite files that are there
    #[arg(long)]
    pub force: bool,
    /// Where to read.
    #[command(flatten)]
    pub store: StoreOption,
}

/// Forms of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// Battery Data Format, CSV
    BdfCsv,
    /// Plain tables in an SQLite file
    Sqlite,
}

/// What was written.
#[derive(Serialize)]
pub struct Written {
    /// The rows.
    pub file: PathBuf,
    /// What the rows cannot hold.
    pub metadata: PathBuf,
}

impl Export {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let origin = Origin::open(&self.store, context)?;
        let session = origin.find(&self.session)?;
        if self.format == Format::Sqlite {
            return self.sqlite(&origin, session, context);
        }
        if self.output == Path::new("-") {
            let mut out = std::io::stdout().lock();
            origin.rows(session, &mut out)?;
            out.flush()?;
            return Ok(Exit::Good);
        }
        let written = write(&origin, session, &self.output, self.force)?;
        match context.json {
            true => screen::json(&written)?,
            false => screen::say(&format!(
                "Wrote {} and {}.",
                written.file.display(),
                written.metadata.display()
            ))?,
        }
        Ok(Exit::Good)
    }
}

impl Export {
    fn sqlite(
        &self,
        origin: &Origin<'_>,
        session: i64,
        context: &Context,
    ) -> Result<Exit, Failure> {
        let file = &self.output;
        if file == Path::new("-") {
            let message = "an SQLite file cannot go to standard output; name a file".to_owned();
            return Err(Failure::Usage(message));
        }
        files::refuse_taken(file, self.force)?;
        files::prepare_at(file, |to| plain_db::write(origin, session, to))?.put(self.force)?;
        match context.json {
            true => screen::json(&serde_json::json!({ "file": file }))?,
            false => screen::say(&format!("Wrote {}.", file.display()))?,
        }
        Ok(Exit::Good)
    }
}

/// Writes the rows to `file` and the metadata beside it.
pub fn write(
    origin: &Origin<'_>,
    session: i64,
    file: &Path,
    force: bool,
) -> Result<Written, Failure> {
    let metadata = metadata_path(file);
    files::refuse_taken(file, force)?;
    files::refuse_taken(&metadata, force)?;
    let (rows, said) = files::prepare(file, |to| origin.rows(session, to))?;
    let name = file.file_name().unwrap_or_default().to_string_lossy();
    let text = said.metadata(session, &name)?;
    let cannot = || Failure::io(format!("{} cannot be written", metadata.display()));
    let fill = |to: &mut dyn Write| to.write_all(text.as_bytes()).map_err(cannot());
    let (beside, ()) = files::prepare(&metadata, fill)?;
    rows.put(force)?;
    beside.put(force)?;
    Ok(Written { file: file.to_owned(), metadata })
}

/// `x.bdf.csv` gets `x.bdf.metadata.json`.
pub fn metadata_path(file: &Path) -> PathBuf {
    match file.extension() {
        Some(extension) if extension.eq_ignore_ascii_case("csv") => {
            file.with_extension("metadata.json")
        }
        _ => {
            let mut name = file.as_os_str().to_owned();
            name.push(".metadata.json");
            PathBuf::from(name)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_metadata_goes_beside_the_rows() {
        for (file, metadata) in [
            ("a/x.bdf.csv", "a/x.bdf.metadata.json"),
            ("x.csv", "x.metadata.json"),
            ("x.CSV", "x.metadata.json"),
            ("x.dat", "x.dat.metadata.json"),
            ("x", "x.metadata.json"),
        ] {
            assert_eq!(metadata_path(Path::new(file)), Path::new(metadata));
        }
    }
}
