//! Sets the build id that client and daemon compare.

include!("../packaging/build_id.rs");

fn main() {
    set_build_id();
}
