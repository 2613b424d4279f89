//! What commands share that write a page: where to, on which paper.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use print::paper::{Document, Size};

use crate::output::Failure;

/// Where a page goes.
#[derive(Debug, Args)]
pub struct PaperArgs {
    /// Write it as a self-contained HTML page
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Write it as PDF
    #[arg(long, value_name = "FILE")]
    pub pdf: Option<PathBuf>,
    /// Paper size of the PDF and of the printed page
    #[arg(long, value_name = "SIZE", default_value = "a4")]
    pub paper: PaperSize,
}

/// Paper sizes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum PaperSize {
    /// 210 by 297 mm
    A4,
    /// 8.5 by 11 inches
    Letter,
}

impl PaperArgs {
    /// Whether a page is wanted.
    pub fn is_wanted(&self) -> bool {
        self.html.is_some() || self.pdf.is_some()
    }

    /// Writes what is wanted; the names of the files, as they are said.
    pub fn write(&self, mut document: Document) -> Result<Vec<String>, Failure> {
        document.size = match self.paper {
            PaperSize::A4 => Size::A4,
            PaperSize::Letter => Size::Letter,
        };
        let mut written = Vec::new();
        let told = |path: &Path| {
            let replaced = if path.is_file() { ", in place of the file that was there" } else { "" };
            format!("{}{replaced}", path.display())
        };
        if let Some(path) = &self.html {
            written.push(told(path));
            put(path, document.html().as_bytes())?;
        }
        if let Some(path) = &self.pdf {
            let (octets, _) = document.pdf(Vec::new()).map_err(|e| {
                Failure::surroundings(
                    format!("the PDF can't be made: {e}"),
                    "Report this; the answer itself is correct.",
                )
            })?;
            written.push(told(path));
            put(path, &octets)?;
        }
        Ok(written)
    }
}

/// A missing directory is wrong usage: a mistyped path, not a failed disk.
fn put(path: &Path, octets: &[u8]) -> Result<(), Failure> {
    let directory = path.parent().filter(|parent| !parent.as_os_str().is_empty());
    if let Some(missing) = directory.filter(|directory| !directory.exists()) {
        return Err(Failure::usage(format!("the directory {} does not exist", missing.display()), "Check the path."));
    }
    Ok(base::put(path, octets)?)
}
