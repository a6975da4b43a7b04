//! Lays the image out: the vectors and sections of cortex-m-rt, and the texts of defmt's log, in the memory of this board.

fn main() {
    let folder = std::env::var("CARGO_MANIFEST_DIR").unwrap_or_default();
    println!("cargo:rustc-link-search={folder}");
    println!("cargo:rustc-link-arg-bins=-Tlink.x");
    // Where the texts of the log stand, which are not loaded.
    println!("cargo:rustc-link-arg-bins=-Tdefmt.x");
    println!("cargo:rerun-if-changed=memory.x");
}
