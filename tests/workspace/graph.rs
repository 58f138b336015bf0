//! The crate graph: which crate may know which.

use std::collections::{BTreeMap, BTreeSet};

use cargo_metadata::{DependencyKind, Metadata, MetadataCommand, Package};

use crate::util::root;

/// Every crate of the workspace and those it may know, and no other way. The
/// daemon and the command line tool do not know each other: they meet at the
/// API.
const MAY_KNOW: [(&str, &[&str]); 11] = [
    ("ampledger-types", &[]),
    ("ampledger-store", &["ampledger-types"]),
    ("ampledger-decoders", &["ampledger-types"]),
    // What is given to authors of plugins stands alone.
    ("ampledger-plugin", &[]),
    ("ampledger-boundary", &["ampledger-types", "ampledger-decoders"]),
    (
        "ampledger-host",
        &["ampledger-types", "ampledger-decoders", "ampledger-plugin", "ampledger-boundary"],
    ),
    ("ampledger-methods", &["ampledger-types"]),
    ("ampledger-report", &["ampledger-types", "ampledger-store", "ampledger-methods"]),
    (
        "ampledgerd",
        &[
            "ampledger-types",
            "ampledger-store",
            "ampledger-decoders",
            "ampledger-boundary",
            "ampledger-methods",
            "ampledger-report",
        ],
    ),
    (
        "ampledger",
        &[
            "ampledger-types",
            "ampledger-store",
            "ampledger-decoders",
            "ampledger-boundary",
            "ampledger-methods",
            "ampledger-report",
        ],
    ),
    (
        "ampledger-tests",
        &[
            "ampledger-types",
            "ampledger-store",
            "ampledger-decoders",
            "ampledger-boundary",
            // One measurement calls a plugin in its own process.
            "ampledger-host",
        ],
    ),
];

/// Crates that would bring a clock, a file, a socket or a database into what
/// must be pure.
const IMPURE: [&str; 6] = ["tokio", "rusqlite", "rustix", "tempfile", "tracing", "uuid"];

pub(super) fn metadata() -> Metadata {
    let mut command = MetadataCommand::new();
    command.manifest_path(root().join("Cargo.toml")).no_deps();
    command.exec().expect("cargo metadata")
}

fn knows(package: &Package) -> BTreeSet<String> {
    let names = package.dependencies.iter().map(|d| d.name.to_string());
    names.filter(|name| name.starts_with("ampledger")).collect()
}

#[test]
fn every_crate_knows_only_whom_it_may() {
    let allowed: BTreeMap<&str, &[&str]> = MAY_KNOW.into_iter().collect();
    let metadata = metadata();
    let packages = metadata.workspace_packages();
    let names: BTreeSet<&str> = packages.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(names, allowed.keys().copied().collect(), "crates and this table");
    for package in packages {
        let may: BTreeSet<String> =
            allowed[package.name.as_str()].iter().map(|name| (*name).to_owned()).collect();
        let too_many: Vec<String> = knows(package).difference(&may).cloned().collect();
        assert!(too_many.is_empty(), "{} may not know {too_many:?}", package.name);
    }
}

#[test]
fn only_the_host_can_load_a_library() {
    let metadata = metadata();
    for package in metadata.workspace_packages() {
        let loads = package.dependencies.iter().any(|d| d.name == "libloading");
        assert_eq!(loads, package.name.as_str() == "ampledger-host", "{}", package.name);
    }
}

#[test]
fn types_decoders_and_methods_have_no_way_to_the_outside() {
    let metadata = metadata();
    for package in metadata.workspace_packages() {
        if !["ampledger-types", "ampledger-decoders", "ampledger-methods"]
            .contains(&package.name.as_str())
        {
            continue;
        }
        let usual = package.dependencies.iter().filter(|d| d.kind == DependencyKind::Normal);
        for dependency in usual {
            assert!(
                !IMPURE.contains(&dependency.name.as_str()),
                "{} uses {}",
                package.name,
                dependency.name
            );
        }
    }
}

#[test]
fn every_outside_crate_comes_from_the_registry() {
    let metadata = metadata();
    for package in metadata.workspace_packages() {
        for dependency in package.dependencies.iter().filter(|d| d.path.is_none()) {
            let from = dependency.source.as_ref().map(ToString::to_string).unwrap_or_default();
            assert!(from.starts_with("registry+"), "{}: {from}", dependency.name);
        }
    }
}
