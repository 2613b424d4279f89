//! Accounts of people who sign in at their company's provider.

use serde_json::json;
use time::OffsetDateTime;

use super::account::{Account, AccountError, COLUMNS, locked};
use super::seal::Sealed;
use crate::Book;
use crate::by::By;
use crate::engine::{Connection, P, params};
use crate::error::BookError;
use crate::ids::Actor;
use crate::log::{Draft, Subject, rows};
use crate::transaction::Tx;
use crate::words::AccountRole;

/// A person, as the company's provider knows them. Only both together name one (OpenID Connect Core 1.0 §5.7).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CompanySubject {
    /// The provider's issuer identifier.
    pub issuer: String,
    /// The person's identifier there, 1 to 255 characters.
    pub subject: String,
}

/// Whether the account of this name, if there is one, is a company account.
pub(crate) fn is_of_company(tx: &mut Tx<'_>, name: &Actor) -> Result<bool, BookError> {
    Ok(tx.number("SELECT count(*) FROM account_subject WHERE account = $1", params![name.as_str()])? > 0)
}

fn of_subject(subject: &CompanySubject) -> (String, [&str; 2]) {
    let sql = format!(
        "SELECT {COLUMNS} FROM account WHERE name = \
         (SELECT account FROM account_subject WHERE issuer = $1 AND subject = $2)"
    );
    (sql, [&subject.issuer, &subject.subject])
}

/// The name, or where an account or a token has it, the name with the first number that is free.
fn free_name(tx: &mut Tx<'_>, wished: &Actor) -> Result<Actor, AccountError> {
    let taken = tx.all("SELECT name FROM account UNION ALL SELECT name FROM api_token", &[])?;
    let taken = taken.iter().map(|row| Ok(Actor::kept(row.text(0)?))).collect::<Result<Vec<_>, BookError>>()?;
    let numbered = |n: usize| if n == 1 { wished.clone() } else { Actor::kept(format!("{wished} ({n})")) };
    let free = (1..=taken.len() + 1).map(numbered).find(|name| !taken.iter().any(|other| other.is_same_person(name)));
    free.ok_or_else(|| AccountError::NameTaken { what: "an account", name: wished.to_string() })
}

impl Book {
    /// The account of a person whom the company knows.
    pub fn account_of_subject(&self, subject: &CompanySubject) -> Result<Option<Account>, BookError> {
        let (sql, [issuer, subject]) = of_subject(subject);
        self.read(|c| {
            let Some(row) = c.one(&sql, params![issuer, subject])? else { return Ok(None) };
            let account = Account::read(&row)?;
            self.sealed_company(c, &account.name)?;
            Ok(Some(account))
        })
    }

    /// The account of a person whom the company has just vouched for, with the role that it gives now: added at the
    /// first sign-in, changed where the role is another, in which case its sessions end. It never becomes an account
    /// that was there under that name.
    ///
    /// - `wished`: the name at the company, of at most 90 characters; one that is taken gets a number.
    ///
    /// # Errors
    ///
    /// [`AccountError::Closed`].
    pub fn admit_company(
        &self,
        subject: &CompanySubject,
        wished: &Actor,
        role: AccountRole,
        at: OffsetDateTime,
    ) -> Result<Account, AccountError> {
        self.write(|tx| {
            let sequence = tx.next_sequence()?;
            let (sql, [issuer, at_issuer]) = of_subject(subject);
            let known = tx.one(&sql, params![issuer, at_issuer])?.as_ref().map(Account::read).transpose()?;
            known.iter().try_for_each(|known| self.sealed_company(tx, &known.name))?;
            let is_new = known.is_none();
            let name = match known {
                Some(known) if known.closed => return Err(AccountError::Closed { name: known.name.to_string() }),
                Some(known) if known.role == role => return Ok(known),
                Some(known) => known.name,
                None => free_name(tx, wished)?,
            };
            let by = By::person(name.clone(), at);
            let about = Subject::Other("account", name.to_string());
            if is_new {
                tx.change_one(
                    &rows::ACCOUNT,
                    "INSERT INTO account (name, role, password, badge, closed, added, changed, entry) \
                     VALUES ($1, $2, '', NULL, 0, $3, $3, $4)",
                    params![name.as_str(), role.word(), by.micros(), sequence],
                )?;
                tx.insert(&rows::ACCOUNT_SUBJECT, params![name.as_str(), issuer, at_issuer, sequence])?;
                self.seal(tx, Sealed::Subject, P::Text(name.as_str()))?;
                self.seal_account(tx, &name)?;
                let body = json!({ "role": role, "issuer": issuer, "subject": at_issuer });
                tx.append(Draft::new("account.add", about, body), &by)?;
            } else {
                tx.change_one(
                    &rows::ACCOUNT,
                    "UPDATE account SET role = $1, changed = $2, entry = $3 WHERE name = $4",
                    params![role.word(), by.micros(), sequence, name.as_str()],
                )?;
                self.seal_account(tx, &name)?;
                tx.run("DELETE FROM session WHERE account = $1", params![name.as_str()])?;
                tx.append(Draft::new("account.change", about, json!({ "role": role })), &by)?;
            }
            Ok(locked(tx, &name)?.0)
        })
    }

    /// Refuses an account of the company that no act of this site wrote, or bound to this person.
    fn sealed_company(&self, c: &mut Connection, name: &Actor) -> Result<(), BookError> {
        self.sealed(c, Sealed::Account, P::Text(name.as_str()))?;
        self.sealed(c, Sealed::Subject, P::Text(name.as_str()))
    }

    /// Ends all sessions of an account, which is one entry. Where there are none, nothing changes.
    pub fn end_sessions(&self, account: &Actor, by: &By) -> Result<(), BookError> {
        self.write(|tx| {
            if tx.run("DELETE FROM session WHERE account = $1", params![account.as_str()])? > 0 {
                let subject = Subject::Other("account", account.to_string());
                tx.append(Draft::new("session.end", subject, json!({})), by)?;
            }
            Ok(())
        })
    }
}
