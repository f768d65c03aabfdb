//! How wide the output may be, and whether letters may be bold.

use notefront_takes::columns;
use std::io::{self, IsTerminal};

/// Columns of the terminal, or the usual number where the output goes elsewhere.
pub fn width() -> u16 {
    let size = terminal_size::terminal_size_of(io::stdout()).filter(|_| io::stdout().is_terminal());
    size.map(|(width, _)| width.0).filter(|&columns| columns > 0).unwrap_or(columns::USUAL)
}

/// Whether letters may be bold or dim: on a terminal, unless its user wants none (no-color.org: any value but the
/// empty one switches styling off).
pub fn is_styled() -> bool {
    io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty())
}
