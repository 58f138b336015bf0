//! Tells the program which build it is.

include!("../packaging/build_id.rs");

fn main() {
    set_build_id();
}
