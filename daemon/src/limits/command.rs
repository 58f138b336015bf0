//! Runs a program with the alarm on its input. It sees nothing of the daemon's
//! environment, has no shell, and is ended when it takes too long.

use std::process::Stdio;
use std::time::Duration;

use tokio::io::AsyncWriteExt;
use tokio::process::Command;

/// As much of what it complained is told.
const TOLD_BYTES: usize = 300;

/// Runs it to its end.
pub async fn run(words: &[String], input: Vec<u8>, limit: Duration) -> Result<(), String> {
    let Some((program, arguments)) = words.split_first() else {
        return Err("no program is named".to_owned());
    };
    let mut child = Command::new(program)
        .args(arguments)
        .env_clear()
        .env("PATH", "/usr/local/bin:/usr/bin:/bin")
        .current_dir("/")
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .kill_on_drop(true)
        .spawn()
        .map_err(|error| format!("{program} cannot be run: {error}"))?;
    let stdin = child.stdin.take();
    let ended = tokio::time::timeout(limit, async {
        if let Some(mut stdin) = stdin {
            // A program that does not read its input is no failure.
            let _ = stdin.write_all(&input).await;
        }
        child.wait_with_output().await
    });
    let output = ended
        .await
        .map_err(|_| format!("{program} did not end within {:.0} s", limit.as_secs_f64()))?
        .map_err(|error| format!("{program}: {error}"))?;
    if output.status.success() {
        return Ok(());
    }
    let told = &output.stderr[..output.stderr.len().min(TOLD_BYTES)];
    let told = String::from_utf8_lossy(told);
    Err(format!("{program} ended with {}: {}", output.status, told.trim()))
}
