//! Notefront in a window of its own, on the sound card's input.

fn main() {
    nice_plug::prelude::nice_export_standalone::<notefront::Notefront>();
}
