//! Link options of the plug-in library.

fn main() {
    println!("cargo:rerun-if-changed=build.rs");
    // Closing an editor does not wait for its window's thread. If the host then unloads the library, that
    // thread would run code that is gone: on Linux the library stays mapped.
    if std::env::var("CARGO_CFG_TARGET_OS").is_ok_and(|os| os == "linux") {
        println!("cargo:rustc-cdylib-link-arg=-Wl,-z,nodelete");
    }
}
