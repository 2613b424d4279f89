//! Who may use the pages and the API: accounts, sessions, tokens, and answers
//! kept so that a request sent twice is done once.
//!
//! Accounts and tokens are vouched for by entries. Sessions and kept answers
//! are working notes that expire: their rows come and go, and only signing in
//! and out is told in the log. The book sees digests, never a password, a badge's
//! code or a token. Each row that lets somebody in is sealed with a key from outside ([`seal`]).

mod account;
mod company;
pub(crate) mod seal;
mod session;
mod token;

pub use account::{Account, AccountError, NewAccount};
pub use company::CompanySubject;
pub(crate) use company::is_of_company;
pub use session::Session;
pub use token::{ApiToken, NewApiToken, Repeated};
