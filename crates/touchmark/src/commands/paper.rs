//! What commands share that write a page: where to, on which paper.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use print::paper::{Document, Size};
use works::Trouble;

use crate::output::Failure;

/// Where a page goes.
#[derive(Debug, Args)]
pub struct PaperArgs {
    /// Write a page of it that stands alone
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Write it as PDF
    #[arg(long, value_name = "FILE")]
    pub pdf: Option<PathBuf>,
    /// Paper of the PDF, and of the page when it is printed
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

    /// Writes what is wanted; the names of the files.
    pub fn write(&self, mut document: Document) -> Result<Vec<String>, Failure> {
        document.size = match self.paper {
            PaperSize::A4 => Size::A4,
            PaperSize::Letter => Size::Letter,
        };
        let mut written = Vec::new();
        if let Some(path) = &self.html {
            put(path, document.html().as_bytes())?;
            written.push(path.display().to_string());
        }
        if let Some(path) = &self.pdf {
            let (octets, _) = document.pdf(Vec::new()).map_err(|e| {
                Failure::surroundings(format!("the PDF can't be made: {e}"), "Report this; the answer itself is sound.")
            })?;
            put(path, &octets)?;
            written.push(path.display().to_string());
        }
        Ok(written)
    }
}

/// The file appears whole or not at all.
fn put(path: &Path, octets: &[u8]) -> Result<(), Failure> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let write = || -> std::io::Result<()> {
        let mut file = tempfile::Builder::new().prefix(".touchmark").tempfile_in(folder)?;
        file.write_all(octets)?;
        // As any file that a program writes here; a temporary one is its owner's alone.
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            file.as_file().set_permissions(std::fs::Permissions::from_mode(0o644))?;
        }
        file.persist(path).map(drop).map_err(|e| e.error)
    };
    write().map_err(|e| Failure::from(Trouble::file(path, e)))
}
