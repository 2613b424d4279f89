//! Accounts.

use serde_json::json;
use time::OffsetDateTime;

use super::seal::Sealed;
use crate::Book;
use crate::by::{By, moment};
use crate::engine::{P, Row, params};
use crate::error::{Blame, BookError};
use crate::ids::{Actor, Sequence};
use crate::log::{Draft, Subject, rows};
use crate::transaction::Tx;
use crate::words::AccountRole;

/// A new account, or what one is to be from now on.
#[derive(Clone, PartialEq, Eq)]
pub struct NewAccount {
    /// The person: stands as actor in every entry.
    pub name: Actor,
    /// What the person may do.
    pub role: AccountRole,
    /// The password's hash, as the caller writes it.
    pub password: Option<String>,
    /// The badge code's digest.
    pub badge: Option<[u8; 32]>,
}

/// An account as it stands in the book.
#[derive(Clone, PartialEq, Eq)]
pub struct Account {
    pub name: Actor,
    /// What the person may do.
    pub role: AccountRole,
    pub password: Option<String>,
    /// Whether there is a badge.
    pub has_badge: bool,
    /// Whether its person signs in with the company's account.
    pub company: bool,
    /// Whether it was closed.
    pub closed: bool,
    /// When it was added.
    pub added: OffsetDateTime,
    /// When it changed last.
    pub changed: OffsetDateTime,
    /// The last entry that tells of it.
    pub entry: Sequence,
}

impl std::fmt::Debug for NewAccount {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("NewAccount").field("name", &self.name).field("role", &self.role).finish_non_exhaustive()
    }
}

impl std::fmt::Debug for Account {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Account").field("name", &self.name).field("role", &self.role).finish_non_exhaustive()
    }
}

/// Why an account or a token was left as it is.
#[derive(Debug, thiserror::Error)]
pub enum AccountError {
    /// There is one of that name.
    #[error("{what} {name} already exists")]
    NameTaken {
        /// `an account` or `a token`.
        what: &'static str,
        name: String,
    },
    /// The badge opens another account.
    #[error("that badge belongs to another account")]
    BadgeTaken,
    /// There is none of that name.
    #[error("{what} {name} does not exist")]
    Unknown {
        /// `account` or `token`.
        what: &'static str,
        name: String,
    },
    /// It was closed, for good.
    #[error("account {name} is closed")]
    Closed { name: String },
    /// Its role comes from the company, and it has no password here.
    #[error("account {name} is a company account")]
    OfCompany { name: String },
    /// Nobody could run the site any more.
    #[error("{name} is the last engineer of this site")]
    LastEngineer { name: String },
    /// The book gave no answer. Nothing was changed.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl AccountError {
    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::Unknown { .. } => Blame::Usage,
            Self::Book(error) => error.blame(),
            _ => Blame::Refused,
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::NameTaken { .. } => "Choose another name; a name stays with its person.".into(),
            Self::BadgeTaken => "Take another badge, or take it from the other account first.".into(),
            Self::Unknown { .. } => "Check the name under People.".into(),
            Self::Closed { .. } => "Add an account under another name.".into(),
            Self::OfCompany { .. } => {
                "Change the person's groups at the company; the role follows at the next sign-in. \
                                       Close the account to keep the person out."
                    .into()
            }
            Self::LastEngineer { .. } => "Add another engineer first.".into(),
            Self::Book(error) => error.advice(),
        }
    }
}

pub(super) const COLUMNS: &str = "name, role, password, badge, closed, added, changed, entry, \
     (SELECT count(*) FROM account_subject s WHERE s.account = name)";

impl Account {
    pub(super) fn read(row: &Row) -> Result<Self, BookError> {
        Ok(Self {
            name: Actor::kept(row.text(0)?),
            role: AccountRole::read(row, 1)?,
            // The empty text stands where the company knows the person, and is no hash.
            password: row.maybe(2, Row::text)?.filter(|hash| !hash.is_empty()),
            has_badge: !row.is_null(3),
            company: row.int(8)? == 1,
            closed: row.int(4)? == 1,
            added: moment(row.int(5)?)?,
            changed: moment(row.int(6)?)?,
            entry: Sequence(row.int(7)?),
        })
    }
}

fn told(account: &NewAccount) -> serde_json::Value {
    json!({ "role": account.role, "password": account.password.is_some(), "badge": account.badge.is_some() })
}

fn badge_free(tx: &mut Tx<'_>, account: &NewAccount) -> Result<(), AccountError> {
    let Some(badge) = &account.badge else { return Ok(()) };
    let others = "SELECT count(*) FROM account WHERE badge = $1 AND name <> $2";
    if tx.number(others, params![badge, account.name.as_str()])? > 0 {
        return Err(AccountError::BadgeTaken);
    }
    Ok(())
}

pub(super) fn locked(tx: &mut Tx<'_>, name: &Actor) -> Result<(Account, Option<[u8; 32]>), AccountError> {
    // The log's head first: whoever changes accounts waits for the others here.
    tx.next_sequence()?;
    let sql = format!("SELECT {COLUMNS} FROM account a WHERE a.name = $1 {{lock:a}}");
    let unknown = || AccountError::Unknown { what: "account", name: name.to_string() };
    let row = tx.one(&sql, params![name.as_str()])?.ok_or_else(unknown)?;
    let badge = if row.is_null(3) { None } else { Some(row.array(3)?) };
    Ok((Account::read(&row)?, badge))
}

fn not_the_last(tx: &mut Tx<'_>, account: &Account) -> Result<(), AccountError> {
    let others =
        "SELECT count(*) FROM account WHERE role = 'engineer' AND closed = 0 AND password <> '' AND name <> $1";
    // A company account counts for nothing here: its provider may be down, or give it another role tomorrow.
    if account.role == AccountRole::Engineer
        && !account.company
        && tx.number(others, params![account.name.as_str()])? == 0
    {
        return Err(AccountError::LastEngineer { name: account.name.to_string() });
    }
    Ok(())
}

impl Book {
    /// Adds an account.
    ///
    /// - `first`: only where the site has none yet.
    ///
    /// # Errors
    ///
    /// [`AccountError::NameTaken`], also where `first` comes too late.
    pub fn add_account(&self, new: &NewAccount, first: bool, by: &By) -> Result<Sequence, AccountError> {
        self.write(|tx| {
            let sequence = tx.next_sequence()?;
            let taken = || AccountError::NameTaken { what: "an account", name: new.name.to_string() };
            if first && tx.number("SELECT count(*) FROM account", &[])? > 0 {
                return Err(taken());
            }
            badge_free(tx, new)?;
            tx.change(
                &rows::ACCOUNT,
                "INSERT INTO account (name, role, password, badge, closed, added, changed, entry) \
                 VALUES ($1, $2, $3, $4, 0, $5, $5, $6) ON CONFLICT DO NOTHING",
                params![
                    new.name.as_str(),
                    new.role.word(),
                    new.password.as_deref(),
                    new.badge.as_ref(),
                    by.micros(),
                    sequence
                ],
            )?
            .ok_or_else(taken)?;
            self.seal_account(tx, &new.name)?;
            let subject = Subject::Other("account", new.name.to_string());
            Ok(tx.append(Draft::new("account.add", subject, told(new)), by)?)
        })
    }

    /// Changes an account's role, password or badge. All its sessions end.
    ///
    /// - `change`: what it is to be; `None` for a password or badge leaves the one there is.
    /// - `no_badge`: takes the badge away.
    ///
    /// # Errors
    ///
    /// [`AccountError`] where it is closed, the company's, or the last engineer's.
    pub fn change_account(&self, change: &NewAccount, no_badge: bool, by: &By) -> Result<Sequence, AccountError> {
        self.write(|tx| {
            let (account, badge) = locked(tx, &change.name)?;
            self.sealed(tx, Sealed::Account, P::Text(change.name.as_str()))?;
            if account.closed {
                return Err(AccountError::Closed { name: change.name.to_string() });
            }
            if account.company {
                return Err(AccountError::OfCompany { name: change.name.to_string() });
            }
            if change.role != AccountRole::Engineer {
                not_the_last(tx, &account)?;
            }
            badge_free(tx, change)?;
            let keeps = change.role == AccountRole::Operator && !no_badge;
            let badge = change.badge.or(badge).filter(|_| keeps);
            let password = change.password.clone().or(account.password);
            let sequence = tx.next_sequence()?;
            tx.change_one(
                &rows::ACCOUNT,
                "UPDATE account SET role = $1, password = $2, badge = $3, changed = $4, entry = $5 WHERE name = $6",
                params![
                    change.role.word(),
                    password.as_deref(),
                    badge.as_ref(),
                    by.micros(),
                    sequence,
                    change.name.as_str()
                ],
            )?;
            self.seal_account(tx, &change.name)?;
            tx.run("DELETE FROM session WHERE account = $1", params![change.name.as_str()])?;
            let subject = Subject::Other("account", change.name.to_string());
            Ok(tx.append(Draft::new("account.change", subject, told(change)), by)?)
        })
    }

    /// Closes an account for good; its sessions end. Asking again changes nothing.
    ///
    /// # Errors
    ///
    /// [`AccountError::LastEngineer`] where nobody could run the site any more.
    pub fn close_account(&self, name: &Actor, by: &By) -> Result<(), AccountError> {
        self.write(|tx| {
            let (account, _) = locked(tx, name)?;
            if account.closed {
                return Ok(());
            }
            not_the_last(tx, &account)?;
            let sequence = tx.next_sequence()?;
            tx.change_one(
                &rows::ACCOUNT,
                "UPDATE account SET closed = 1, password = NULL, badge = NULL, changed = $1, entry = $2 WHERE name = $3",
                params![by.micros(), sequence, name.as_str()],
            )?;
            self.seal_account(tx, name)?;
            tx.run("DELETE FROM session WHERE account = $1", params![name.as_str()])?;
            tx.append(Draft::new("account.close", Subject::Other("account", name.to_string()), json!({})), by)?;
            Ok(())
        })
    }

    /// The account of this person.
    pub fn account(&self, name: &Actor) -> Result<Option<Account>, BookError> {
        let sql = format!("SELECT {COLUMNS} FROM account WHERE name = $1");
        self.read(|c| {
            self.sealed(c, Sealed::Account, P::Text(name.as_str()))?;
            c.one(&sql, params![name.as_str()])
        })?
        .as_ref()
        .map(Account::read)
        .transpose()
    }

    /// The account that a badge opens.
    pub fn account_of_badge(&self, badge: &[u8; 32]) -> Result<Option<Account>, BookError> {
        let sql = format!("SELECT {COLUMNS} FROM account WHERE badge = $1 AND closed = 0");
        self.read(|c| {
            let Some(row) = c.one(&sql, params![badge])? else { return Ok(None) };
            let account = Account::read(&row)?;
            self.sealed(c, Sealed::Account, P::Text(account.name.as_str()))?;
            Ok(Some(account))
        })
    }

    /// All accounts, by name.
    pub fn accounts(&self) -> Result<Vec<Account>, BookError> {
        let sql = format!("SELECT {COLUMNS} FROM account ORDER BY name");
        self.read(|c| {
            self.sealed(c, Sealed::AccountNames, P::Null)?;
            c.all(&sql, &[])
        })?
        .iter()
        .map(Account::read)
        .collect()
    }

    pub(super) fn seal_account(&self, tx: &mut Tx<'_>, name: &Actor) -> Result<(), BookError> {
        self.seal(tx, Sealed::Account, P::Text(name.as_str()))?;
        self.seal(tx, Sealed::AccountNames, P::Null)
    }
}
