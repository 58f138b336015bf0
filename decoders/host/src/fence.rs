//! What the process takes away from itself before a plugin is loaded: open
//! files, privileges, memory without end, other processes, the network, files
//! that are not its own. The kernel may lack some of it; what holds is told. One
//! of the files with unsafe code.
#![allow(unsafe_code, reason = "close_range has no safe form")]

use std::collections::BTreeMap;
use std::fs::File;

use landlock::{
    ABI, Access, AccessFs, AccessNet, CompatLevel, Compatible, PathBeneath, PathFd, Ruleset,
    RulesetAttr, RulesetCreatedAttr, RulesetStatus, Scope,
};
use rustix::process::{Resource, Rlimit, Signal};
use seccompiler::{BpfProgram, SeccompAction, SeccompFilter};

/// The way in and the way out.
#[derive(Debug)]
pub struct Pipes {
    /// What we are asked.
    pub from: File,
    /// What we answer.
    pub to: File,
}

/// First of all: moves the pipes away from where a library prints, and closes
/// whatever else was handed down.
pub fn take_pipes() -> Result<Pipes, String> {
    // SAFETY: nothing has been opened yet, so nobody owns these descriptors.
    unsafe { libc::close_range(3, libc::c_uint::MAX, 0) };
    let taken = || -> rustix::io::Result<Pipes> {
        let from = rustix::io::fcntl_dupfd_cloexec(rustix::stdio::stdin(), 3)?;
        let to = rustix::io::fcntl_dupfd_cloexec(rustix::stdio::stdout(), 3)?;
        let nothing = rustix::fs::open(
            "/dev/null",
            rustix::fs::OFlags::RDONLY | rustix::fs::OFlags::CLOEXEC,
            rustix::fs::Mode::empty(),
        )?;
        rustix::stdio::dup2_stdin(&nothing)?;
        // What a library prints goes where its complaints go.
        rustix::stdio::dup2_stdout(rustix::stdio::stderr())?;
        Ok(Pipes { from: from.into(), to: to.into() })
    };
    let pipes = taken().map_err(|error| format!("its pipes cannot be taken: {error}"))?;
    die_with_parent().map_err(|error| format!("it cannot be tied to its parent: {error}"))?;
    Ok(pipes)
}

fn die_with_parent() -> rustix::io::Result<()> {
    let parent = rustix::process::getppid();
    rustix::process::set_parent_process_death_signal(Some(Signal::KILL))?;
    // It may have ended before that; then nobody would tell us.
    if rustix::process::getppid() != parent {
        std::process::exit(1);
    }
    Ok(())
}

/// Before the library is loaded. Returns what holds, in words; a limit that
/// cannot be set is an error, a fence that the kernel lacks is not.
pub fn before_loading(memory_bytes: u64) -> Result<Vec<String>, String> {
    limits(memory_bytes).map_err(|error| format!("its limits cannot be set: {error}"))?;
    let mut fences = vec!["limits".to_owned()];
    rustix::thread::set_no_new_privs(true)
        .map_err(|error| format!("privileges cannot be ruled out: {error}"))?;
    fences.push("no new privileges".to_owned());
    if read_only() {
        fences.push("files read-only".to_owned());
    }
    if few_calls() {
        fences.push("no processes, no network".to_owned());
    }
    Ok(fences)
}

/// After the library is loaded, when it needs no file any more.
pub fn after_loading() -> Option<String> {
    let locked = || -> Result<bool, landlock::RulesetError> {
        let all = AccessFs::from_all(ABI::V6);
        let ruleset = Ruleset::default().set_compatibility(CompatLevel::BestEffort);
        // Setting 'no new privileges' again is one of the calls ruled out.
        let created = ruleset.handle_access(all)?.create()?.no_new_privs(false);
        let status = created.restrict_self()?;
        Ok(status.ruleset != RulesetStatus::NotEnforced)
    };
    locked().unwrap_or(false).then(|| "no files".to_owned())
}

fn limits(memory_bytes: u64) -> rustix::io::Result<()> {
    let limit = |n| Rlimit { current: Some(n), maximum: Some(n) };
    for (resource, most) in [
        (Resource::As, memory_bytes),
        (Resource::Core, 0),
        (Resource::Fsize, 0),
        (Resource::Nofile, 32),
        // Counts for everybody but root, whom the calls below stop.
        (Resource::Nproc, 0),
    ] {
        rustix::process::setrlimit(resource, limit(most))?;
    }
    Ok(())
}

/// Landlock: the file tree can be read, which loading needs, and not written;
/// no network; no signal and no socket to processes outside.
fn read_only() -> bool {
    let locked = || -> Result<bool, Box<dyn std::error::Error>> {
        let all = AccessFs::from_all(ABI::V6);
        let read = AccessFs::from_read(ABI::V6);
        let ruleset = Ruleset::default().set_compatibility(CompatLevel::BestEffort);
        let ruleset = ruleset.handle_access(all)?.handle_access(AccessNet::from_all(ABI::V6))?;
        let ruleset = ruleset.scope(Scope::from_all(ABI::V6))?.create()?;
        let status =
            ruleset.add_rule(PathBeneath::new(PathFd::new("/")?, read))?.restrict_self()?;
        Ok(status.ruleset != RulesetStatus::NotEnforced)
    };
    locked().unwrap_or(false)
}

/// Calls that no decoder needs: they fail with 'not permitted'.
const FORBIDDEN: &[libc::c_long] = &[
    // Other programs and processes, and threads.
    libc::SYS_execve,
    libc::SYS_execveat,
    libc::SYS_clone,
    libc::SYS_clone3,
    libc::SYS_ptrace,
    libc::SYS_process_vm_readv,
    libc::SYS_process_vm_writev,
    libc::SYS_kill,
    libc::SYS_tkill,
    libc::SYS_pidfd_open,
    libc::SYS_pidfd_getfd,
    libc::SYS_pidfd_send_signal,
    // The network, and other ways out.
    libc::SYS_socket,
    libc::SYS_socketpair,
    libc::SYS_connect,
    libc::SYS_bind,
    libc::SYS_io_uring_setup,
    libc::SYS_shmget,
    libc::SYS_msgget,
    libc::SYS_mq_open,
    libc::SYS_keyctl,
    libc::SYS_add_key,
    // The machine.
    libc::SYS_mount,
    libc::SYS_unshare,
    libc::SYS_setns,
    libc::SYS_bpf,
    libc::SYS_perf_event_open,
    libc::SYS_userfaultfd,
    // What was set up here.
    libc::SYS_setrlimit,
    libc::SYS_prctl,
];

/// A filter on system calls.
fn few_calls() -> bool {
    let program = || -> Result<BpfProgram, seccompiler::BackendError> {
        let rules: BTreeMap<i64, Vec<seccompiler::SeccompRule>> =
            FORBIDDEN.iter().map(|call| (*call, Vec::new())).collect();
        SeccompFilter::new(
            rules,
            SeccompAction::Allow,
            SeccompAction::Errno(libc::EPERM as u32),
            std::env::consts::ARCH.try_into()?,
        )?
        .try_into()
    };
    program().is_ok_and(|program| seccompiler::apply_filter(&program).is_ok())
}
