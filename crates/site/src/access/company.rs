//! Signing in with the company's account: who may come in, and as whom.
//!
//! What has to come back from the provider (state, nonce, code verifier) is kept here in memory, once, for ten
//! minutes, and bound to the browser that began. A person is issuer and subject together; groups give the role at
//! each sign-in. Start at [`Company::of`].

use std::collections::{BTreeMap, HashMap};
use std::fs;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

use base::trouble::Trouble;
use book::ids::Actor;
use book::{AccountRole, CompanySubject, SignedInBy};
use openidconnect::url::Url;
use openidconnect::{ClientSecret, IssuerUrl, RedirectUrl};
use time::{Duration, OffsetDateTime};
use zeroize::Zeroizing;

use super::provider::{Asked, Provider, Unproven, Vouched, is_safe};
use super::{Begun, Gate, Pace, begin, digest, draw_token, refused, role};
use crate::{OpenIdSettings, Site, Who};

/// How long the person may take at the provider.
const WAITS: Duration = Duration::minutes(10);
/// Sign-ins that may be under way; a stranger must not fill the memory.
const UNDER_WAY: usize = 1000;
/// Where the provider sends the browser back to.
const BACK: &str = "/sign-in/company/back";
/// Roles by what they let a person change and see: somebody in several groups has the first.
const STRONGEST: [AccountRole; 3] = [AccountRole::Engineer, AccountRole::Auditor, AccountRole::Operator];

/// The company's sign-in, as the settings have it.
pub struct Company {
    issuer: IssuerUrl,
    /// Where browsers find these pages, without a slash at the end.
    address: String,
    redirect: RedirectUrl,
    roles: BTreeMap<String, AccountRole>,
    under_way: Mutex<HashMap<String, UnderWay>>,
}

struct UnderWay {
    browser: [u8; 32],
    asked: Asked,
    provider: Provider,
    next: String,
    until: OffsetDateTime,
}

/// A sign-in that has just begun.
pub struct Begin {
    /// Where the browser goes now.
    pub to: String,
    /// What the browser keeps until it comes back.
    pub browser: Zeroizing<String>,
}

/// What the browser brings back (RFC 6749 §4.1.2, RFC 9207 §2).
pub struct Answer {
    pub state: String,
    /// To be redeemed at the provider.
    pub code: Option<String>,
    /// Why there is no code.
    pub error: Option<String>,
    pub iss: Option<String>,
    /// What the browser kept.
    pub browser: Option<String>,
}

fn wrong(key: &str, why: impl std::fmt::Display) -> Trouble {
    Trouble::usage(format!("pages.openid.{key}: {why}"), "Fix touchmark.toml; docs/site.md explains every key.")
}

/// The secret, of a file that nobody else can read.
fn secret(settings: &OpenIdSettings, dir: &Path) -> Result<ClientSecret, Trouble> {
    let file = dir.join(&settings.client_secret_file);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = fs::metadata(&file).map_err(|e| Trouble::file(&file, e))?.permissions().mode() & 0o777;
        if mode & 0o077 != 0 {
            return Err(Trouble::refused(
                format!("{}: others than its owner may use it (mode {mode:04o})", file.display()),
                format!("Run `chmod 600 {}`, and have the provider make a new secret.", file.display()),
            ));
        }
    }
    let text = fs::read_to_string(&file).map(Zeroizing::new).map_err(|e| Trouble::file(&file, e))?;
    match text.lines().next().map(str::trim).filter(|line| !line.is_empty()) {
        Some(line) => Ok(ClientSecret::new(line.to_owned())),
        None => Err(wrong("client_secret_file", "its first line is empty")),
    }
}

/// Where browsers find the pages: as set, or by the first name that they are known by.
fn address(site: &Site, settings: &OpenIdSettings, tls: bool) -> Result<Url, Trouble> {
    let hosts = &site.settings.pages.hosts;
    let scheme = if tls { "https" } else { "http" };
    let of_host = || hosts.first().map(|host| format!("{scheme}://{host}"));
    let text = settings.address.clone().or_else(of_host).ok_or_else(|| {
        wrong(
            "address",
            "it is not set, and pages.hosts names no host; the provider must know where to send people back",
        )
    })?;
    let url = Url::parse(&text).map_err(|e| wrong("address", format!("{text}: {e}")))?;
    let host = url.host_str().unwrap_or_default();
    let with_port = url.port().map_or_else(|| host.to_owned(), |port| format!("{host}:{port}"));
    if url.path() != "/" || url.query().is_some() || url.fragment().is_some() {
        return Err(wrong("address", format!("{text}: give scheme, name and port alone")));
    }
    if !is_safe(&url) {
        return Err(wrong("address", format!("{text}: beyond this machine it must begin with https://")));
    }
    if !hosts.is_empty() && !hosts.iter().any(|h| h.eq_ignore_ascii_case(host) || h.eq_ignore_ascii_case(&with_port)) {
        return Err(wrong("address", format!("{host} is not one of pages.hosts")));
    }
    Ok(url)
}

impl Company {
    /// The company's sign-in, where the settings have one. The provider is not asked yet.
    ///
    /// - `tls`: whether these pages are served over TLS, where their address is not set.
    ///
    /// # Errors
    ///
    /// [`Trouble`] for settings that can't be, and for a secret that others can read.
    pub fn of(site: &Site, tls: bool) -> Result<Option<Self>, Trouble> {
        let Some(settings) = &site.settings.pages.openid else { return Ok(None) };
        let issuer = IssuerUrl::new(settings.issuer.clone()).map_err(|e| wrong("issuer", e))?;
        if !is_safe(issuer.url()) {
            return Err(wrong("issuer", "beyond this machine it must begin with https://"));
        }
        if settings.name.trim().is_empty() || settings.client_id.is_empty() {
            return Err(wrong("name", "it is empty, or client_id is"));
        }
        if settings.roles.is_empty() {
            return Err(wrong("roles", "no group has a role, so that nobody could come in"));
        }
        let read = |(group, word): (&String, &String)| {
            role(word).map(|role| (group.clone(), role)).map_err(|e| wrong(&format!("roles.{group:?}"), e))
        };
        let roles = settings.roles.iter().map(read).collect::<Result<_, _>>()?;
        secret(settings, &site.dir)?;
        let address = address(site, settings, tls)?.as_str().trim_end_matches('/').to_owned();
        let redirect = RedirectUrl::new(format!("{address}{BACK}")).map_err(|e| wrong("address", e))?;
        Ok(Some(Self { issuer, address, redirect, roles, under_way: Mutex::default() }))
    }

    /// Where browsers find these pages: the sign-in must begin under the name that the provider sends people back to.
    pub fn address(&self) -> &str {
        &self.address
    }

    /// Begins a sign-in.
    ///
    /// - `peer`: where the request comes from.
    /// - `next`: where to go once signed in; the caller checks it when it comes back.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where the provider gives no answer.
    pub fn begin(
        &self,
        site: &Site,
        gate: &Gate,
        (peer, next): (&str, &str),
        clock: fn() -> OffsetDateTime,
    ) -> Result<Begin, Trouble> {
        gate.pass(&format!("to company from {peer}"), Pace::ADDRESS, clock())?;
        let settings = settings(site)?;
        let provider = Provider::discover(settings, &self.issuer, &site.dir)?;
        let (state, browser) = (draw_token()?, draw_token()?);
        let (url, asked) = provider.address(settings, &self.redirect, &state)?;
        let now = clock();
        let entry = UnderWay { browser: digest(&browser), asked, provider, next: next.to_owned(), until: now + WAITS };
        let mut under_way = self.under_way.lock().unwrap_or_else(PoisonError::into_inner);
        under_way.retain(|_, one| one.until > now);
        if under_way.len() >= UNDER_WAY {
            let oldest = under_way.iter().min_by_key(|(_, one)| one.until).map(|(state, _)| state.clone());
            oldest.and_then(|state| under_way.remove(&state));
        }
        under_way.insert(state.to_string(), entry);
        Ok(Begin { to: url.into(), browser })
    }

    /// Ends a sign-in with what the browser brought back, and gives where the browser goes now.
    ///
    /// # Errors
    ///
    /// [`Trouble`]: an answer that can't be believed, a person without a role here, a provider that gives no answer.
    /// All but the last are entries of the log.
    pub fn finish(
        &self,
        site: &Site,
        gate: &Gate,
        (peer, answer): (&str, Answer),
        clock: fn() -> OffsetDateTime,
    ) -> Result<(Begun, String), Trouble> {
        gate.pass(&format!("back from company to {peer}"), Pace::ADDRESS, clock())?;
        let settings = settings(site)?;
        let nobody = |trouble: Trouble| match refused(site, None, SignedInBy::Company, clock) {
            Ok(()) => trouble,
            Err(unwritten) => unwritten,
        };
        // It is taken out whatever comes next: a state and its code count once.
        let taken = self.under_way.lock().unwrap_or_else(PoisonError::into_inner).remove(&answer.state);
        let browser = answer.browser.as_deref().map(digest);
        let Some(one) = taken.filter(|one| one.until > clock() && Some(one.browser) == browser) else {
            return Err(nobody(Trouble::refused(
                "this sign-in was not begun in this browser, is used up, or took longer than ten minutes",
                "Begin it again here.",
            )));
        };
        if answer.iss.is_some_and(|iss| iss != self.issuer.as_str()) {
            return Err(nobody(Trouble::refused("another provider answered than was asked", "Sign in again.")));
        }
        let Some(code) = answer.code else {
            let plain = |c: &char| c.is_ascii_alphanumeric() || *c == '_';
            let error: String = answer.error.unwrap_or_default().chars().filter(plain).take(60).collect();
            return Err(nobody(Trouble::refused(
                format!("{} signed nobody in: {error}", settings.name),
                "Sign in again, or ask whoever runs it.",
            )));
        };
        let code = (code, one.asked);
        let vouched = one
            .provider
            .redeem(settings, secret(settings, &site.dir)?, &self.redirect, code, clock())
            .map_err(|unproven| match unproven {
                Unproven::Silent(trouble) => trouble,
                Unproven::Refused(trouble) => nobody(trouble),
            })?;
        Ok((self.admit(site, settings, &vouched, clock)?, one.next))
    }

    fn admit(
        &self,
        site: &Site,
        settings: &OpenIdSettings,
        vouched: &Vouched,
        clock: fn() -> OffsetDateTime,
    ) -> Result<Begun, Trouble> {
        let subject = CompanySubject { issuer: self.issuer.as_str().to_owned(), subject: vouched.subject.clone() };
        let wished = wished(&vouched.names)?;
        let has = |role: &AccountRole| vouched.groups.iter().any(|group| self.roles.get(group) == Some(role));
        let Some(role) = STRONGEST.into_iter().find(has) else {
            let known = site.book.account_of_subject(&subject)?.map(|account| account.name);
            if let Some(name) = &known {
                site.book.end_sessions(name, &Who { actor: name.clone(), clock }.by())?;
            }
            refused(site, known.as_ref(), SignedInBy::Company, clock)?;
            return Err(self.without_role(settings, &wished));
        };
        let account = match site.book.admit_company(&subject, &wished, role, clock()) {
            Ok(account) => account,
            Err(error) => {
                let known = site.book.account_of_subject(&subject)?.map(|account| account.name);
                refused(site, known.as_ref(), SignedInBy::Company, clock)?;
                return Err(Trouble::from(error).advised("Ask an engineer of this site."));
            }
        };
        begin(site, &account.name, account.role, SignedInBy::Company, clock)
    }

    fn without_role(&self, settings: &OpenIdSettings, name: &Actor) -> Trouble {
        let groups: Vec<_> = self.roles.iter().map(|(group, role)| format!("{group} ({role})")).collect();
        Trouble::refused(
            format!("{} knows you as {name}, but none of your groups has a role here", settings.name),
            format!(
                "Ask whoever runs {} to add you to one of these groups, then sign in again: {}.",
                settings.name,
                groups.join(", ")
            ),
        )
    }
}

fn settings(site: &Site) -> Result<&OpenIdSettings, Trouble> {
    site.settings.pages.openid.as_ref().ok_or_else(|| wrong("issuer", "it is not set"))
}

/// The first name that can stand in the log, with room for a number.
fn wished(names: &[String]) -> Result<Actor, Trouble> {
    let short = |name: &String| Actor::new(name.chars().take(90).collect::<String>().trim()).ok();
    Ok(names.iter().find_map(short).map_or_else(|| Actor::new("company account"), Ok)?)
}
