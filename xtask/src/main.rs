//! Project chores.
fn main() {}
