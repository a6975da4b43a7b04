//! Lays the image out: the vectors and sections of cortex-m-rt, and the second stage of the boot loader.

fn main() {
    let folder = std::env::var("CARGO_MANIFEST_DIR").unwrap_or_default();
    println!("cargo:rustc-link-search={folder}");
    println!("cargo:rustc-link-arg-bins=-Tlink.x");
    println!("cargo:rustc-link-arg-bins=-Tlink-rp.x");
    println!("cargo:rerun-if-changed=memory.x");
}
