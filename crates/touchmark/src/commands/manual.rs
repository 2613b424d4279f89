//! `touchmark manual`.

use std::fs;
use std::path::{Path, PathBuf};

use base::{Trouble, quoted};
use clap::{Args, Command, ValueEnum as _};
use clap_complete::Shell;
use serde::Serialize;

use crate::output::{Exit, Failure, Output};

/// Write manual pages and shell completions
///
/// Both come from the definition of the commands itself.
#[derive(Debug, Args)]
pub struct ManualArgs {
    /// Directory to write into; created if it does not exist
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
}

#[derive(Serialize)]
struct Written {
    directory: String,
    pages: usize,
    completions: Vec<String>,
}

/// Runs the command.
pub fn run(args: &ManualArgs, mut command: Command, output: &mut Output) -> Result<Exit, Failure> {
    command.build();
    let (pages, completions) = (args.out.join("man1"), args.out.join("completions"));
    for dir in [&pages, &completions] {
        fs::create_dir_all(dir).map_err(|e| Trouble::file(dir, e))?;
    }
    let count = write_pages(&command, &pages)?;
    let mut names = Vec::new();
    for shell in Shell::value_variants() {
        let path = clap_complete::generate_to(*shell, &mut command, "touchmark", &completions)
            .map_err(|e| Trouble::file(&completions, e))?;
        names.push(path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default());
    }
    let written = Written { directory: args.out.display().to_string(), pages: count, completions: names };
    output.show(&written, |w| {
        writeln!(
            w,
            "Wrote {} manual pages and {} completions to {}",
            written.pages,
            written.completions.len(),
            written.directory
        )
    })?;
    let page = format!("{}/man1/touchmark.1", written.directory);
    output.next(&format!("Read them with `man -l {}`.", quoted(&page)));
    Ok(Exit::Done)
}

/// A page for the command and for each below it.
fn write_pages(command: &Command, dir: &Path) -> Result<usize, Failure> {
    let name = command.get_display_name().unwrap_or_else(|| command.get_name()).replace(' ', "-");
    let path = dir.join(format!("{name}.1"));
    let mut page = Vec::new();
    clap_mangen::Man::new(command.clone()).render(&mut page).map_err(|e| Trouble::file(&path, e))?;
    fs::write(&path, page).map_err(|e| Trouble::file(&path, e))?;
    let mut count = 1;
    for below in command.get_subcommands().filter(|c| c.get_name() != "help") {
        count += write_pages(below, dir)?;
    }
    Ok(count)
}
