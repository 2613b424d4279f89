//! What every command at a site shares: the site, who acts, passphrases.

use std::io::{self, IsTerminal, Write as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

use base::Trouble;
use clap::Args;
use custody::token::TokenUri;
use custody::{ChoosePassphrase, Passphrase};
use site::keys::Unlock;
use site::{Site, Who, checkpoint};
use zeroize::Zeroizing;

use crate::output::Failure;
use crate::secret;

/// Where a command works and in whose name.
#[derive(Debug, Clone)]
pub struct Place {
    /// `--site`, where given.
    pub site: Option<PathBuf>,
    /// `--by`, where given.
    pub by: Option<String>,
    /// Gets what is said of a book that is older than its checkpoint, for the answer.
    pub older: Arc<OnceLock<String>>,
}

impl Place {
    /// Who acts: `--by`, else the user's name on this machine.
    pub fn who(&self) -> Result<Who, Failure> {
        let name = self.by.clone().or_else(|| std::env::var("USER").ok()).filter(|n| !n.trim().is_empty());
        Ok(Who::new(name.as_deref().unwrap_or("engineer"))?)
    }

    /// The site, opened. Whatever a book answers that was moved, or is older than its checkpoint, that is said first.
    pub fn open(&self) -> Result<Site, Failure> {
        let dir = self.dir()?;
        let site = Site::open(&dir)?;
        base::files::work_in(&dir);
        let said = match (site.book.moved_to().map_err(Trouble::from)?, site.book.older()) {
            (Some(to), _) => Some(format!(
                "This book was moved to {to}. What it answers here is of the day of the move. Set book.location in \
                 touchmark.toml to that location."
            )),
            (None, Some(older)) => {
                Some(format!("{}. What it answers is of an earlier day.", checkpoint::words(&older)))
            }
            (None, None) => None,
        };
        if let Some(said) = said {
            let _ = writeln!(io::stderr(), "warning: {said}");
            let _ = self.older.set(said);
        }
        Ok(site)
    }

    /// The site's directory; its book need not open.
    pub fn dir(&self) -> Result<PathBuf, Failure> {
        let here = std::env::current_dir().map_err(|e| {
            Failure::surroundings(
                format!("the working directory no longer exists: {e}"),
                "Change to an existing directory.",
            )
        })?;
        Ok(Site::find(self.site.as_deref(), &here)?)
    }
}

/// Where a passphrase comes from: a file, the environment, or a prompt on a terminal.
#[derive(Debug, Args)]
pub struct PassphraseArgs {
    /// File with the passphrase in one line; default: TOUCHMARK_PASSPHRASE, then a prompt on a terminal
    #[arg(long, value_name = "FILE")]
    passphrase_file: Option<PathBuf>,
}

fn ask(words: &str) -> io::Result<Zeroizing<String>> {
    rpassword::prompt_password(words).map(Zeroizing::new)
}

impl PassphraseArgs {
    /// The passphrase; `fresh` asks twice.
    pub fn get(&self, purpose: &str, fresh: bool) -> Result<Passphrase, Failure> {
        Ok(self.passphrase(purpose, fresh)?)
    }

    /// The passphrase for the site key, only where that is wrapped.
    pub fn for_site_key(&self, site: &Site) -> Result<Option<Passphrase>, Failure> {
        let wrapped = custody::SiteKey::is_wrapped(&site.keys().join("site.key")).map_err(Trouble::from)?;
        if wrapped { self.get("to open the site key", false).map(Some) } else { Ok(None) }
    }

    /// Whether a file was named for it.
    pub fn names_file(&self) -> bool {
        self.passphrase_file.is_some()
    }

    /// Whether one was named without asking.
    pub fn is_given(&self) -> bool {
        self.passphrase_file.is_some() || std::env::var_os("TOUCHMARK_PASSPHRASE").is_some()
    }
}

/// Asks when something is to be opened, and only then.
impl Unlock for PassphraseArgs {
    fn passphrase(&self, purpose: &str, fresh: bool) -> Result<Passphrase, Trouble> {
        let mut prompt = |words: &str| ask(words);
        let choose = ChoosePassphrase {
            file: self.passphrase_file.as_deref(),
            environment: std::env::var("TOUCHMARK_PASSPHRASE").ok().map(Zeroizing::new),
            ask: if io::stdin().is_terminal() { Some(&mut prompt) } else { None },
        };
        let read = choose.obtain(purpose, fresh)?;
        if let Some(warning) = read.warning {
            let _ = writeln!(io::stderr(), "touchmark: {warning}");
        }
        Ok(read.passphrase)
    }

    fn pin(&self, token: &TokenUri) -> Result<Option<Passphrase>, Trouble> {
        secret::pin_of(token.text("token"))
    }
}

/// Where a person's password comes from: a file, the environment, or a prompt on a terminal.
#[derive(Debug, Args)]
pub struct PasswordArgs {
    /// File with your password at this site in one line; default: TOUCHMARK_PASSWORD, then a prompt on a terminal
    #[arg(long, value_name = "FILE")]
    password_file: Option<PathBuf>,
}

impl PasswordArgs {
    /// Of a command whose own options name another password.
    pub fn from_file(password_file: Option<PathBuf>) -> Self {
        Self { password_file }
    }

    /// The password of a person.
    pub fn of(&self, name: &str) -> Result<Zeroizing<String>, Trouble> {
        if let Some(path) = &self.password_file {
            let read = std::fs::read_to_string(path).map(Zeroizing::new).map_err(|e| Trouble::file(path, e))?;
            return Ok(Zeroizing::new(read.trim_end_matches(['\n', '\r']).to_owned()));
        }
        if let Ok(password) = std::env::var("TOUCHMARK_PASSWORD") {
            return Ok(Zeroizing::new(password));
        }
        if io::stdin().is_terminal() {
            return ask(&format!("Password of {name} at this site: ")).map_err(|e| {
                Trouble::surroundings(
                    format!("no password could be read from the terminal: {e}"),
                    "Give it by --password-file.",
                )
            });
        }
        Err(Trouble::usage(
            format!("this site has accounts, so {name} needs the password of {name}"),
            "Give it by --password-file or TOUCHMARK_PASSWORD, run the command in a terminal, or use the pages.",
        ))
    }
}

/// A secret from a file whose one line it is, or from the environment.
pub fn secret(file: Option<&Path>, variable: &str) -> Result<Option<Zeroizing<Vec<u8>>>, Failure> {
    if let Some(path) = file {
        let read = std::fs::read(path).map(Zeroizing::new).map_err(|e| Failure::from(Trouble::file(path, e)))?;
        let line = read.strip_suffix(b"\n").unwrap_or(&read);
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        return Ok(Some(Zeroizing::new(line.to_vec())));
    }
    Ok(std::env::var(variable).ok().map(|v| Zeroizing::new(v.into_bytes())))
}
