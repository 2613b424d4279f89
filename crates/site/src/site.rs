//! A site: a factory's working directory, its settings, keys and record book.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};
use std::time::Duration;
use std::{fs, io};

use base::trouble::Trouble;
use book::ids::{Actor, SiteId, StationName};
use book::{Book, By, Location, OpenOptions};
use custody::{Passphrase, SiteKey, WorkFactor};
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};
use serde::{Deserialize, Serialize};
use time::OffsetDateTime;
use zeroize::Zeroizing;

use crate::access::sealing;
use crate::checkpoint::Keeper;
use crate::day::Day;
use crate::{checkpoint, head};

/// The file that makes a directory a site.
pub const FILE: &str = "touchmark.toml";

/// Settings of a site. An unknown key stops the start: a misspelt setting
/// that is quietly passed over is a setting that does not hold.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Which site it is.
    pub site: SiteSettings,
    /// Where its record book is.
    pub book: BookSettings,
    /// How onboarding data is made.
    #[serde(default)]
    pub onboarding: OnboardingSettings,
    #[serde(default)]
    pub station: StationSettings,
    /// Lists of revoked certificates issued here.
    #[serde(default)]
    pub revocation: RevocationSettings,
    /// What is erased, and when.
    #[serde(default)]
    pub retention: RetentionSettings,
    /// What is watched for, and how far ahead.
    #[serde(default)]
    pub watch: WatchSettings,
    /// Where it is kept how far the book has come.
    #[serde(default)]
    pub checkpoint: CheckpointSettings,
    /// What the pages show and let people choose.
    #[serde(default)]
    pub pages: PageSettings,
}

/// Which site it is.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SiteSettings {
    /// Given at birth, and written into the book; the two must agree.
    pub id: String,
    pub name: String,
}

/// Where its record book is.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BookSettings {
    /// `sqlite:FILE`, from the site's directory, or `postgres://…` without a password.
    pub location: String,
    /// File whose one line is the server's password, from the site's directory.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub password_file: Option<PathBuf>,
}

/// Where it is kept how far the book has come, beside the keys' own directory.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CheckpointSettings {
    /// Further files, from the site's directory: on another disk, in another site.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub keepers: Vec<PathBuf>,
    /// Witnesses that countersign checkpoints.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub witness: Vec<WitnessSettings>,
}

/// A witness of transparency logs, asked over HTTP.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WitnessSettings {
    /// Where it takes checkpoints: `https://…/`, to which `add-checkpoint` is added.
    pub url: String,
    /// Its key, as `NAME+ID+KEY`.
    pub key: String,
    /// Certificates that its server's chain may end at, PEM; the system's where none is given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub certificates: Option<PathBuf>,
}

/// What is watched for, and how far ahead.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WatchSettings {
    pub days: u32,
    /// Days after which a backup is old.
    pub backup_days: u32,
    /// Further certificates that end: of TLS, of a token's or a server's; from the site's directory.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub certificates: Vec<PathBuf>,
}

impl Default for WatchSettings {
    fn default() -> Self {
        Self { days: 90, backup_days: 7, certificates: Vec::new() }
    }
}

/// What is erased, and when. Everything else is kept: the log vouches for it.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct RetentionSettings {
    /// Days after its label was printed last, or its unit scrapped, until a passcode is due; none are
    /// where it is left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub passcode_days: Option<u32>,
}

/// Lists of revoked certificates issued here.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct RevocationSettings {
    /// Days until the next list is due, 1 to 3650.
    pub days: u32,
    /// Where verifiers find the lists, for the distribution-point record.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub url: Option<String>,
}

impl Default for RevocationSettings {
    fn default() -> Self {
        Self { days: 30, url: None }
    }
}

/// How onboarding data is made.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct OnboardingSettings {
    /// PBKDF2 iterations of a verifier, 1,000 to 100,000.
    pub iterations: u32,
    /// Octets of its salt, 16 to 32.
    pub salt_octets: usize,
    /// Units packed together, among which no discriminator comes twice.
    pub carton: usize,
}

impl Default for OnboardingSettings {
    fn default() -> Self {
        Self { iterations: 10_000, salt_octets: 32, carton: 20 }
    }
}

impl Settings {
    /// The settings of the site in `dir`.
    ///
    /// # Errors
    ///
    /// [`Trouble`]: no such file, or a key that is not known.
    pub fn read(dir: &Path) -> Result<Self, Trouble> {
        let file = dir.join(FILE);
        let text = fs::read_to_string(&file).map_err(|e| Trouble::file(&file, e))?;
        toml::from_str(&text).map_err(|e| {
            Trouble::usage(
                format!("{}: {}", file.display(), e.message()),
                "Fix the file; docs/site.md explains every key.",
            )
        })
    }
}

/// The place of a book, with the password of the settings' file.
///
/// # Errors
///
/// [`Trouble`] where it is none, or carries a password: it would stand in the
/// settings, on command lines and in logs.
pub fn location(password_file: Option<&Path>, text: &str, dir: &Path) -> Result<Location, Trouble> {
    let place = Location::parse(text, dir)?;
    if place.has_password() {
        return Err(Trouble::usage(
            format!("the address {place} contains a password, which others could read"),
            "Put it into a file and give that with --book-password-file, or as book.password_file in touchmark.toml.",
        ));
    }
    match password_file {
        Some(file) if place.as_file().is_none() => {
            let file = dir.join(file);
            let text = fs::read_to_string(&file).map(Zeroizing::new).map_err(|e| Trouble::file(&file, e))?;
            Ok(place.with_password(text.lines().next().unwrap_or_default()))
        }
        _ => Ok(place),
    }
}

/// How stations work.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct StationSettings {
    /// Attempts after which a chip that still fails is given up.
    pub attempts: u32,
    /// Seconds for which a station waits for a database server that does not answer, before it gives up.
    pub server_seconds: u32,
}

impl StationSettings {
    pub fn server_wait(&self) -> Duration {
        Duration::from_secs(self.server_seconds.into())
    }
}

impl Default for StationSettings {
    fn default() -> Self {
        Self { attempts: 3, server_seconds: 60 }
    }
}

/// What the pages show and let people choose.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PageSettings {
    /// The site's zone by its name, as `Europe/Lisbon`, with its changes of clock; where none is given, its offset
    /// counts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zone: Option<String>,
    /// The site's distance from UTC, as `+01:00`.
    pub offset: String,
    /// When shifts begin, as `06:00` by the site's clock.
    pub shifts: Vec<String>,
    /// Sources of chips that stations may be set up with, beside simulated ones
    /// under the site's directory: a driver or a module is a program that runs here.
    pub chips: Vec<String>,
    /// The user of the machine as whom the pages run drivers; needs the service to be root's. None: the service's own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub driver_user: Option<String>,
    /// Names by which the pages are asked for, such as `line2.example:8443`; empty: any.
    pub hosts: Vec<String>,
    /// Addresses of proxies in front of the pages, whose word for the address of a client counts.
    pub proxies: Vec<IpAddr>,
    /// The header in which they give it.
    pub proxy_header: String,
    /// How people sign in with their company's account.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub openid: Option<OpenIdSettings>,
}

/// How people sign in with their company's account (OpenID Connect Core 1.0).
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OpenIdSettings {
    /// The provider's issuer identifier, from which its settings are found: `https://…`.
    pub issuer: String,
    /// What the sign-in page calls it.
    pub name: String,
    /// By which the provider knows these pages.
    pub client_id: String,
    /// File whose first line is the secret to it, from the site's directory, for its owner alone.
    pub client_secret_file: PathBuf,
    /// The claim that lists a person's groups.
    #[serde(default = "OpenIdSettings::groups_claim")]
    pub groups_claim: String,
    /// What is asked for beside `openid`.
    #[serde(default = "OpenIdSettings::scopes")]
    pub scopes: Vec<String>,
    /// Where browsers find these pages, as `https://line2.example:8443`; of the first of `pages.hosts` where it is
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
    /// Certificates that the provider's chain may end at, PEM; the system's where none is given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub certificates: Option<PathBuf>,
    /// Which role a group gives.
    pub roles: BTreeMap<String, String>,
}

impl OpenIdSettings {
    fn groups_claim() -> String {
        "groups".into()
    }

    fn scopes() -> Vec<String> {
        vec!["profile".into()]
    }
}

impl Default for PageSettings {
    fn default() -> Self {
        Self {
            zone: None,
            offset: "+00:00".into(),
            shifts: vec!["06:00".into(), "14:00".into(), "22:00".into()],
            chips: Vec::new(),
            driver_user: None,
            hosts: Vec::new(),
            proxies: Vec::new(),
            proxy_header: "X-Forwarded-For".into(),
            openid: None,
        }
    }
}

/// Who acts, and the present.
#[derive(Debug, Clone)]
pub struct Who {
    /// The person, or the program in a person's name.
    pub actor: Actor,
    /// The clock: a function, so that tests can set it.
    pub clock: fn() -> OffsetDateTime,
}

impl Who {
    /// Somebody, by the machine's clock.
    ///
    /// # Errors
    ///
    /// Where the name is none.
    pub fn new(actor: &str) -> Result<Self, Trouble> {
        Ok(Self { actor: Actor::new(actor)?, clock: OffsetDateTime::now_utc })
    }

    /// This act, now.
    pub fn by(&self) -> By {
        By::person(self.actor.clone(), (self.clock)())
    }

    /// This act, now, at a station.
    pub fn at(&self, station: &StationName) -> By {
        By::station(self.actor.clone(), station.clone(), (self.clock)())
    }

    /// The present as the standard's rules want it.
    pub fn now(&self) -> standard::moment::Moment {
        standard::moment::Moment::from_unix((self.clock)().unix_timestamp())
    }
}

/// An open site.
#[derive(Debug)]
pub struct Site {
    pub dir: PathBuf,
    pub settings: Settings,
    pub book: Book,
    key: OnceLock<SiteKey>,
    pub keeper: Arc<Keeper>,
    /// What this process has counted of the last day.
    pub day: Day,
}

/// Where a new site's book is to be.
#[derive(Debug, Clone, Copy, Default)]
pub struct NewBook<'a> {
    /// `sqlite:FILE`, from the site's directory, or `postgres://…`; a file in the site where none is given.
    pub location: Option<&'a str>,
    /// File with the server's password.
    pub password_file: Option<&'a Path>,
}

/// What a new site is told as.
#[derive(Debug, Serialize)]
pub struct NewSite {
    pub site: String,
    pub id: String,
    /// Where its book is, without a password.
    pub book: String,
    /// Whether the site key is wrapped by a passphrase.
    pub key_wrapped: bool,
}

fn draw_id() -> Result<String, Trouble> {
    let mut octets = [0; 8];
    aws_lc_rs::rand::fill(&mut octets)
        .map_err(|_| Trouble::surroundings("the operating system provides no random numbers", "Try again."))?;
    Ok(hex::encode(octets))
}

const HEADER: &str = "# A site of touchmark. Every key is explained in docs/site.md.\n\n";

impl Site {
    /// Makes a site in `dir`, which is made if need be and must hold none.
    ///
    /// Durable steps, in order: keys, book, settings. A crash before the last
    /// leaves no site; what lies there then is named by the next try.
    ///
    /// # Errors
    ///
    /// [`Trouble`]; nothing that was there is touched.
    pub fn create(
        dir: &Path,
        book: NewBook<'_>,
        name: &str,
        wrap: Option<(&Passphrase, WorkFactor)>,
        who: &Who,
    ) -> Result<(Self, NewSite), Trouble> {
        let file = dir.join(FILE);
        if file.exists() {
            return Err(Trouble::usage(format!("{} is already a site", dir.display()), "Give another directory."));
        }
        let keys = dir.join("keys");
        fs::create_dir_all(&keys).map_err(|e| Trouble::file(&keys, e))?;
        restrict(&keys)?;
        let text = book.location.unwrap_or("sqlite:book.sqlite").to_owned();
        let password_file =
            book.password_file.map(std::path::absolute).transpose().map_err(|e| Trouble::file(dir, e))?;
        let place = location(password_file.as_deref(), &text, dir)?;
        let id = draw_id()?;
        let key = SiteKey::create(&keys.join("site.key"), wrap)?;
        let made = Book::create(&place, &SiteId::new(&id)?, name, &who.by());
        let book = match made {
            Ok(book) => book,
            Err(error) => {
                // The key protects nothing yet, so taking it away loses nothing.
                let _ = fs::remove_file(keys.join("site.key"));
                return Err(error.into());
            }
        };
        let settings = Settings {
            site: SiteSettings { id: id.clone(), name: name.to_owned() },
            book: BookSettings { location: text, password_file },
            onboarding: OnboardingSettings::default(),
            station: StationSettings::default(),
            revocation: RevocationSettings::default(),
            retention: RetentionSettings::default(),
            watch: WatchSettings::default(),
            checkpoint: CheckpointSettings::default(),
            pages: PageSettings::default(),
        };
        let toml = toml::to_string(&settings)
            .map_err(|e| Trouble::surroundings(format!("the settings can't be written: {e}"), "Report this."))?;
        fs::write(&file, format!("{HEADER}{toml}")).map_err(|e| Trouble::file(&file, e))?;
        let told =
            NewSite { site: dir.display().to_string(), id, book: place.to_string(), key_wrapped: wrap.is_some() };
        let site = Self::with(dir, settings, book)?;
        let _ = site.key.set(key);
        head::sign(&site, None, who)?;
        Ok((site, told))
    }

    /// The site's directory: the one given, or the first with settings upward from `from`.
    ///
    /// # Errors
    ///
    /// Where there is none.
    pub fn find(given: Option<&Path>, from: &Path) -> Result<PathBuf, Trouble> {
        if let Some(dir) = given {
            let file = dir.join(FILE);
            let none = [io::ErrorKind::NotFound, io::ErrorKind::NotADirectory];
            return match fs::metadata(&file) {
                Ok(found) if found.is_file() => Ok(dir.to_owned()),
                // A site that this user may not look into is no missing one.
                Err(e) if !none.contains(&e.kind()) => Err(Trouble::file(&file, e)),
                _ => Err(Trouble::usage(
                    format!("no site at {}: it has no {FILE}", dir.display()),
                    "Create one with `touchmark site new DIR`.",
                )),
            };
        }
        from.ancestors().find(|d| d.join(FILE).is_file()).map(Path::to_owned).ok_or_else(|| {
            Trouble::usage(
                format!("no site here: there is no {FILE} in {} or above it", from.display()),
                "Change to the site's directory, give --site DIR, or create a site with `touchmark site new DIR`.",
            )
        })
    }

    /// Opens the site in `dir`.
    ///
    /// # Errors
    ///
    /// [`Trouble`]: settings with an unknown key, a book of another site, an older program.
    pub fn open(dir: &Path) -> Result<Self, Trouble> {
        let settings = Settings::read(dir)?;
        let place = location(settings.book.password_file.as_deref(), &settings.book.location, dir)?;
        let options = OpenOptions {
            backups: dir.to_owned(),
            site: Some(SiteId::new(&settings.site.id)?),
            at: OffsetDateTime::now_utc(),
        };
        let book = Book::open(&place, &options)?;
        Self::guarded(dir, settings, book, true)
    }

    /// With a book that is new or was just restored: it begins its checkpoints.
    pub fn with(dir: &Path, settings: Settings, book: Book) -> Result<Self, Trouble> {
        Self::guarded(dir, settings, book, false)
    }

    fn guarded(dir: &Path, settings: Settings, book: Book, checked: bool) -> Result<Self, Trouble> {
        let keeper = Arc::new(Keeper::of(dir, &settings));
        checkpoint::guard(&book, &keeper, checked)?;
        sealing::settle(dir, &book, !checked)?;
        Ok(Self { dir: dir.to_owned(), settings, book, key: OnceLock::new(), keeper, day: Day::default() })
    }

    /// Whether the site key was opened before.
    pub fn key_is_open(&self) -> bool {
        self.key.get().is_some()
    }

    /// Where keys lie.
    pub fn keys(&self) -> PathBuf {
        Self::keys_in(&self.dir)
    }

    pub(crate) fn keys_in(dir: &Path) -> PathBuf {
        dir.join("keys")
    }

    /// The key file of that name.
    pub fn key_file(&self, name: &str) -> PathBuf {
        self.keys().join(format!("{}.key", file_stem(name)))
    }

    /// The key that protects secrets at rest, opened once.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where it is wrapped and no passphrase was given, or the wrong one.
    pub fn key(&self, passphrase: Option<&Passphrase>) -> Result<&SiteKey, Trouble> {
        if let Some(key) = self.key.get() {
            return Ok(key);
        }
        let key = SiteKey::open(&self.keys().join("site.key"), passphrase)?;
        head::is_sealed_by(&self.dir, &key)?;
        self.keeper.unlock(&key);
        Ok(self.key.get_or_init(|| key))
    }
}

/// A name as a file's: whatever could lead elsewhere or hide is percent-encoded
/// (RFC 3986 §2.1), so that no two names share a file and none leaves the folder.
pub fn file_stem(name: &str) -> String {
    const PLAIN: &AsciiSet =
        &NON_ALPHANUMERIC.remove(b' ').remove(b'-').remove(b'_').remove(b'(').remove(b')').remove(b',').remove(b'&');
    utf8_percent_encode(name, PLAIN).to_string()
}

/// Only the owner may look into the keys' directory.
pub fn restrict(dir: &Path) -> Result<(), Trouble> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        fs::set_permissions(dir, fs::Permissions::from_mode(0o700)).map_err(|e| Trouble::file(dir, e))?;
    }
    let _ = dir;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::file_stem;

    #[test]
    fn a_key_stays_in_its_folder() {
        assert_eq!(file_stem("Quarry Lane Test PAI 7"), "Quarry Lane Test PAI 7");
        for name in ["../evil", "a/../../evil", "..", ".hidden", "a\\b", "a\0b", "é"] {
            let stem = file_stem(name);
            assert!(!stem.contains(['/', '\\', '.', '\0']) && stem != file_stem("a"), "{name:?} {stem}");
        }
        assert_ne!(file_stem("a/b"), file_stem("a%2Fb"));
    }
}
