//! Notefront in a window of its own, on the sound card's input.

use clap::Parser;
use notefront::alone::arguments::Arguments;
use notefront::alone::cards::{Card, Cards};
use notefront::alone::window;
use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    if arguments.list {
        list(&Cards::now());
        return ExitCode::SUCCESS;
    }
    match window::run(&arguments) {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("{why}");
            ExitCode::FAILURE
        }
    }
}

fn list(cards: &Cards) {
    for (what, cards) in [("inputs", &cards.inputs), ("outputs", &cards.outputs)] {
        println!("{what}:{}", if cards.is_empty() { " none" } else { "" });
        cards.iter().for_each(|card| println!("  {}", line(card)));
    }
}

fn line(card: &Card) -> String {
    let channels = if card.num_channels == 1 { "1 channel".into() } else { format!("{} channels", card.num_channels) };
    format!("{}, {channels}, {} Hz", card.name, card.rate_hz)
}
