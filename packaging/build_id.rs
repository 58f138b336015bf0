// Included by the build scripts of both binaries: sets AMPLEDGER_BUILD to
// "<version>+<short commit>", or to "<version>" where this tree is no git
// checkout. It never looks at uncommitted changes: two binaries of one build
// must agree, however long it took.

fn set_build_id() {
    let version = std::env::var("CARGO_PKG_VERSION").unwrap_or_default();
    let build = match commit() {
        Some(commit) => format!("{version}+{commit}"),
        None => version,
    };
    println!("cargo::rustc-env=AMPLEDGER_BUILD={build}");
    println!("cargo::rerun-if-changed=build.rs");
    println!("cargo::rerun-if-changed=../packaging/build_id.rs");
    for path in watched() {
        println!("cargo::rerun-if-changed={path}");
    }
}

/// The commit, if the checkout is this project's own and not one around it.
fn commit() -> Option<String> {
    let top = git(&["rev-parse", "--show-toplevel"])?;
    let here = std::path::Path::new("..").canonicalize().ok()?;
    let top = std::path::Path::new(&top).canonicalize().ok()?;
    if top != here {
        return None;
    }
    git(&["rev-parse", "--short=12", "HEAD"])
}

/// What changes when another commit is checked out or made. The whole folder
/// of branches, because a branch that is packed away has no file until its
/// next commit. A path that does not exist would make every build start over,
/// so it is left out.
fn watched() -> Vec<String> {
    let paths = ["HEAD", "refs/heads", "packed-refs"];
    let paths = paths.into_iter().filter_map(|path| git(&["rev-parse", "--git-path", path]));
    paths.filter(|path| std::path::Path::new(path).exists()).collect()
}

fn git(arguments: &[&str]) -> Option<String> {
    let output = std::process::Command::new("git").args(arguments).output().ok()?;
    let text = String::from_utf8(output.stdout).ok()?;
    let text = text.trim();
    (output.status.success() && !text.is_empty()).then(|| text.to_owned())
}
