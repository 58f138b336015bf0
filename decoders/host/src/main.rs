//! `ampledger-host`: runs one plugin for one source. It is started by
//! `ampledgerd` and `ampledger`, which talk with it through its standard input
//! and output; a person has no use for it.

use std::process::ExitCode;

use ampledger_host::{fence, serve};

fn main() -> ExitCode {
    if std::env::args_os().len() > 1 {
        eprintln!(
            "ampledger-host is started by ampledgerd and ampledger; it has no options. To try a \
             plugin: ampledger plugin check FILE"
        );
        return ExitCode::from(2);
    }
    let pipes = match fence::take_pipes() {
        Ok(pipes) => pipes,
        Err(why) => {
            eprintln!("ampledger-host: {why}");
            return ExitCode::FAILURE;
        }
    };
    match serve::serve(pipes) {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("ampledger-host: {why}");
            ExitCode::FAILURE
        }
    }
}
