//! Runs other programs for the chores, saying what is run.

use std::path::{Path, PathBuf};
use std::process::Command;

/// The root of the workspace.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().map(Path::to_path_buf).unwrap_or_default()
}

/// The cargo that runs this chore.
pub fn cargo() -> Command {
    Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()))
}

/// Runs a command in the root of the workspace; its output goes where ours goes.
pub fn run(command: &mut Command) -> Result<(), String> {
    let said = said(command);
    eprintln!("$ {said}");
    let status = command.current_dir(root()).status().map_err(|e| format!("{said}: {e}"))?;
    if status.success() { Ok(()) } else { Err(format!("{said}: {status}")) }
}

/// Whether a program is there and content.
pub fn answers(program: &str, args: &[&str]) -> bool {
    Command::new(program).args(args).output().is_ok_and(|output| output.status.success())
}

/// What a command prints on standard output, or why it cannot be had.
pub fn output(command: &mut Command) -> Result<String, String> {
    let said = said(command);
    let output = command.current_dir(root()).output().map_err(|e| format!("{said}: {e}"))?;
    if !output.status.success() {
        return Err(format!("{said}: {}\n{}", output.status, String::from_utf8_lossy(&output.stderr)));
    }
    String::from_utf8(output.stdout).map_err(|e| format!("{said}: {e}"))
}

fn said(command: &Command) -> String {
    let program = Path::new(command.get_program()).file_name().unwrap_or_default().to_string_lossy().into_owned();
    let args: Vec<_> = command.get_args().map(|arg| arg.to_string_lossy()).collect();
    format!("{program} {}", args.join(" "))
}
