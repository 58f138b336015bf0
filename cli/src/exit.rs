//! How a command ends: the exit codes, in one table that feeds the manual, and
//! the failures that lead to them. Never prints.

use std::io;

use ampledger_types::api::ErrorResponse;

use crate::client::ClientError;

/// What a script reads from `$?`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// Done.
    Good = 0,
    /// The command worked and found something wrong.
    Found = 1,
    /// The command line makes no sense.
    Usage = 2,
    /// No daemon answers.
    NoDaemon = 3,
    /// The request was refused.
    Refused = 4,
    /// Client and daemon are of different builds.
    OtherBuild = 5,
    /// The store file cannot be read.
    Store = 6,
    /// A file, a device or a program failed.
    Io = 7,
    /// Stopped by Ctrl-C or a signal.
    Interrupted = 130,
}

impl Exit {
    /// Every code with what it means, in the words of the manual.
    pub const TABLE: [(Exit, &'static str); 9] = [
        (Exit::Good, "done"),
        (
            Exit::Found,
            "the command worked and found something wrong (`doctor`), or nothing (`capture`, `decode`)",
        ),
        (Exit::Usage, "the command line makes no sense"),
        (Exit::NoDaemon, "no daemon answers on the socket"),
        (Exit::Refused, "the request was refused: no such session, pack marked unsafe, …"),
        (Exit::OtherBuild, "`ampledger` and `ampledgerd` are of different builds"),
        (Exit::Store, "the store file cannot be read"),
        (Exit::Io, "a file, a device or a program failed"),
        (Exit::Interrupted, "stopped by Ctrl-C or a signal"),
    ];

    /// The number.
    pub const fn code(self) -> u8 {
        self as u8
    }
}

/// Why a command could not do its work. The text says what happened, where,
/// and what to do.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// Talking to the daemon failed, or it said no.
    #[error(transparent)]
    Daemon(#[from] ClientError),
    /// The arguments contradict each other or what is recorded.
    #[error("{0}")]
    Usage(String),
    /// There is no such thing, or it may not be.
    #[error("{message}")]
    Refused {
        /// A word that programs can rely on.
        code: &'static str,
        /// In words.
        message: String,
    },
    /// The store file cannot be read.
    #[error("{0}")]
    Store(String),
    /// A file, a device or a program failed.
    #[error("{what}: {source}")]
    Io {
        /// What was being done to what.
        what: String,
        /// What the system said.
        source: io::Error,
    },
    /// Nobody takes what is printed.
    #[error("the output cannot be written: {0}")]
    Output(#[from] io::Error),
    /// A signal came.
    #[error("stopped; nothing is left running")]
    Interrupted,
}

impl Failure {
    /// A failure of the system while something was being done.
    pub fn io(what: impl Into<String>) -> impl FnOnce(io::Error) -> Failure {
        let what = what.into();
        move |source| Failure::Io { what, source }
    }

    /// How the process ends for it.
    pub fn exit(&self) -> Exit {
        match self {
            Failure::Daemon(error) => error.exit(),
            Failure::Usage(_) => Exit::Usage,
            Failure::Refused { .. } => Exit::Refused,
            Failure::Store(_) => Exit::Store,
            Failure::Io { .. } | Failure::Output(_) => Exit::Io,
            Failure::Interrupted => Exit::Interrupted,
        }
    }

    /// Whether whoever read the output has simply gone: no reason to complain.
    pub fn is_broken_pipe(&self) -> bool {
        let gone = |error: &io::Error| error.kind() == io::ErrorKind::BrokenPipe;
        match self {
            Failure::Output(error) => gone(error),
            Failure::Daemon(ClientError::Take(error)) => gone(error),
            _ => false,
        }
    }

    /// The failure as the API writes one, for `--json`.
    pub fn response(&self) -> ErrorResponse {
        let code = match self {
            Failure::Daemon(error) => error.code(),
            Failure::Usage(_) => "usage",
            Failure::Refused { code, .. } => code,
            Failure::Store(_) => "store_unreadable",
            Failure::Io { .. } | Failure::Output(_) => "io",
            Failure::Interrupted => "interrupted",
        };
        ErrorResponse { code: code.to_owned(), message: self.to_string() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_exit_code_is_in_the_table_once() {
        let mut codes: Vec<u8> = Exit::TABLE.iter().map(|(exit, _)| exit.code()).collect();
        codes.dedup();
        assert_eq!(codes, [0, 1, 2, 3, 4, 5, 6, 7, 130]);
    }

    #[test]
    fn a_reader_that_went_away_is_no_complaint() {
        let gone = || io::Error::from(io::ErrorKind::BrokenPipe);
        assert!(Failure::Output(gone()).is_broken_pipe());
        assert!(Failure::Daemon(ClientError::Take(gone())).is_broken_pipe());
        assert!(!Failure::Output(io::ErrorKind::StorageFull.into()).is_broken_pipe());
    }
}
