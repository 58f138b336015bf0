//! A job that the daemon does on the record as a whole: asked for, followed with
//! a bar on standard error, and what it came to.

use std::time::Duration;

use ampledger_types::api::ErrorResponse;
use ampledger_types::maintenance::{Job, JobOutcome, JobState, MaintenanceRequest};

use crate::client::{Client, ClientError};
use crate::exit::Failure;
use crate::progress;

/// From one look to the next.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// Has the daemon do it, and waits for it.
pub fn run(
    client: &Client,
    request: &MaintenanceRequest,
    json: bool,
) -> Result<JobOutcome, ClientError> {
    let mut job: Job = client.post("/v1/maintenance", request)?;
    let bar = progress::of_job(json, &job.unit);
    while job.state == JobState::Running {
        std::thread::sleep(LOOK_EVERY);
        job = client.get(&format!("/v1/maintenance/{}", job.id))?;
        let _ = progress::show(&bar, job.done, job.all);
    }
    bar.finish_and_clear();
    let refused = |code: &str, message: &str| {
        ClientError::Refused(ErrorResponse { code: code.to_owned(), message: message.to_owned() })
    };
    match (job.outcome, job.trouble) {
        (Some(outcome), _) => Ok(outcome),
        (None, Some(trouble)) => Err(ClientError::Refused(trouble)),
        (None, None) => Err(refused("given_up", "it was given up; nothing is left of it")),
    }
}

/// An outcome of another kind than what was asked for.
pub fn unexpected() -> Failure {
    let message = "the daemon did something else than it was asked for".to_owned();
    Failure::Refused { code: "answer_unreadable", message }
}
