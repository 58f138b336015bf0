//! What a piece of work costs this process, and medians of several rounds.

use std::time::Duration;

use nix::sys::resource::{UsageWho, getrusage};

use super::Failure;

/// Rounds, all that is compared in each.
pub const ROUNDS: usize = 7;

/// Processor time of this process so far.
pub fn cpu() -> Result<Duration, Failure> {
    let used = getrusage(UsageWho::RUSAGE_SELF)?;
    let micros = |time: nix::sys::time::TimeVal| time.tv_sec() * 1_000_000 + time.tv_usec();
    let micros = micros(used.user_time()) + micros(used.system_time());
    Ok(Duration::from_micros(micros.unsigned_abs()))
}

/// Processor time that a piece of work takes here, milliseconds.
pub fn milliseconds(work: impl FnOnce() -> Result<(), Failure>) -> Result<f64, Failure> {
    let begin = cpu()?;
    work()?;
    Ok((cpu()? - begin).as_secs_f64() * 1e3)
}

/// Something that costs a number each time it is done.
pub type Contender<'a> = Box<dyn FnMut() -> Result<f64, Failure> + 'a>;

/// What each of them costs, the median of the rounds. They take turns, so that
/// what else the machine does falls on all of them.
pub fn medians(contenders: &mut [Contender<'_>]) -> Result<Vec<f64>, Failure> {
    let mut found = vec![Vec::new(); contenders.len()];
    for _ in 0..ROUNDS {
        for (contender, found) in contenders.iter_mut().zip(&mut found) {
            found.push(contender()?);
        }
    }
    Ok(found.into_iter().map(median).collect())
}

/// The one in the middle.
pub fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}
