//! Revocation: who is touched, who must agree, and the list that tells the world.
//!
//! Durable steps, in order: the request; its confirmation, with which the
//! certificates are revoked at this site and its stations refuse them; the signed
//! list in the book; the list and its distribution-point record as files. A
//! crash after the confirmation leaves certificates revoked without a list that
//! says so: [`renew`] issues it. A list is cumulative: it names every certificate
//! of its issuer that was ever revoked.

mod adopt;
mod issue;
mod plan;

use std::collections::{HashMap, HashSet};

pub use adopt::{Adopted, adopt};
use base::advice::quoted;
use base::times::time_text;
use base::trouble::Trouble;
use book::ids::Actor;
use book::{Answer, Purpose, RequestState, RevocationList, RevocationRequest};
pub use issue::{DistributionPoint, Issue, Issued, list_of, point_of, renew, to_send, write_to_send};
pub use plan::{Ask, Plan, plan};
use serde::Serialize;
use site::access::Standing;
use site::{Site, Who};
use standard::revocation::Reason;
use utoipa::ToSchema;

/// What is said wherever something is revoked.
pub const CAUTION: &str = "A revocation cannot be undone. The alliance's current certificate policy governs how production lists are published: talk to the authority and the alliance first, and keep their answers.";

/// Reasons for what is final (RFC 5280 §5.3.1).
pub const REASONS: [Reason; 7] = [
    Reason::KeyCompromise,
    Reason::CaCompromise,
    Reason::AffiliationChanged,
    Reason::Superseded,
    Reason::CessationOfOperation,
    Reason::PrivilegeWithdrawn,
    Reason::Unspecified,
];

/// The list that answered a request to an authority elsewhere.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Answered {
    /// cRLNumber in hex.
    pub list: String,
    /// When it was adopted.
    pub at: String,
}

book::words! {
    /// Where a request to revoke stands, with what its authority made of it.
    Progress {
        /// It waits for whoever confirms it.
        Waiting = "waiting",
        /// Its certificates are revoked.
        Confirmed = "confirmed",
        /// Nothing came of it.
        Withdrawn = "withdrawn",
        /// Sent to an authority elsewhere, whose list does not name the certificates yet.
        Sent = "sent",
        /// The authority's list names them.
        Answered = "answered",
    }
    /// Where a revocation list comes from.
    ListOrigin {
        /// It was issued here.
        Issued = "issued",
        /// It was adopted from its authority.
        Adopted = "adopted",
    }
}

impl From<RequestState> for Progress {
    fn from(state: RequestState) -> Self {
        match state {
            RequestState::Waiting => Self::Waiting,
            RequestState::Confirmed => Self::Confirmed,
            RequestState::Withdrawn => Self::Withdrawn,
        }
    }
}

/// A request as it is told.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RequestView {
    /// Its number.
    pub request: i64,
    /// Whose certificates they are.
    pub issuer: String,
    /// What the issuer is for.
    pub purpose: Purpose,
    /// RFC 5280's name of the reason.
    pub reason: &'static str,
    /// What was written beside it.
    pub note: Option<String>,
    /// How many certificates.
    pub certificates: i64,
    /// When it was asked for.
    pub requested: String,
    /// By whom.
    pub requested_by: String,
    /// Where it stands.
    pub state: Progress,
    /// The authority's list that answered it.
    pub answered: Option<Answered>,
    /// When it was settled.
    pub settled: Option<String>,
    /// By whom.
    pub settled_by: Option<String>,
}

/// What came back of requests to authorities elsewhere.
struct Standings {
    sent: HashSet<i64>,
    answers: HashMap<i64, Answer>,
}

impl Standings {
    fn of(site: &Site) -> Result<Self, Trouble> {
        Ok(Self {
            sent: site.book.revocations_sent()?.iter().map(|r| r.number).collect(),
            answers: site.book.revocation_answers()?.into_iter().map(|a| (a.request, a)).collect(),
        })
    }
}

impl RequestView {
    fn of(r: &RevocationRequest, standings: &Standings) -> Self {
        let answer = standings.answers.get(&r.number);
        Self {
            request: r.number,
            issuer: r.issuer.to_string(),
            purpose: r.purpose,
            reason: Reason::name_of(r.reason).unwrap_or("unknown"),
            note: r.note.clone(),
            certificates: r.certificates,
            requested: time_text(r.requested),
            requested_by: r.requested_by.to_string(),
            state: match answer {
                Some(_) => Progress::Answered,
                None if standings.sent.contains(&r.number) => Progress::Sent,
                None => r.state.into(),
            },
            answered: answer.map(|a| Answered { list: hex::encode(&a.list_number), at: time_text(a.at) }),
            settled: r.settled.as_ref().map(|(at, _)| time_text(*at)),
            settled_by: r.settled.as_ref().map(|(_, by)| by.to_string()),
        }
    }
}

/// A kept list as it is told.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(as = RevocationListView)]
pub struct ListView {
    /// Whose certificates it lists.
    pub issuer: String,
    /// cRLNumber in hex.
    pub number: String,
    /// Where it comes from.
    pub origin: ListOrigin,
    /// thisUpdate.
    pub this_update: String,
    /// nextUpdate.
    pub next_update: Option<String>,
    /// Whether that is past.
    pub stale: bool,
    /// How many certificates it lists.
    pub certificates: i64,
}

impl ListView {
    fn of(l: &RevocationList, who: &Who) -> Self {
        Self {
            issuer: l.issuer.to_string(),
            number: hex::encode(&l.number),
            origin: if l.issued_here { ListOrigin::Issued } else { ListOrigin::Adopted },
            this_update: time_text(l.this_update),
            next_update: l.next_update.map(time_text),
            stale: l.next_update.is_some_and(|next| next < (who.clock)()),
            certificates: l.certificates,
        }
    }
}

/// What there is.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = RevocationOverview)]
pub struct Overview {
    /// Requests that wait for a second person.
    pub waiting: Vec<RequestView>,
    /// Requests sent to an authority elsewhere that none of its lists has answered.
    pub sent: Vec<RequestView>,
    /// The newest list of each issuer.
    pub lists: Vec<ListView>,
    /// The last requests that were settled.
    pub settled: Vec<RequestView>,
}

/// What came of asking.
#[derive(Debug, Serialize)]
pub struct Revoked {
    /// `confirmed`, or `waiting` for a second person.
    pub state: &'static str,
    pub request: RequestView,
    pub plan: Plan,
    /// What was issued; none while it waits.
    pub issued: Option<Issued>,
}

/// Asks for a revocation; for a test authority it is confirmed and issued at once.
///
/// # Errors
///
/// [`Trouble`]; nothing is revoked then, unless it says so.
pub fn revoke(
    site: &Site,
    ask: &Ask<'_>,
    issue: &Issue<'_>,
    who: &Who,
    standing: Standing<'_>,
) -> Result<Revoked, Trouble> {
    let plan = plan(site, ask)?;
    if plan.key_here && plan.new == 0 {
        return Err(Trouble::refused(
            format!("{}. Nothing was changed", plan.already.iter().take(10).cloned().collect::<Vec<_>>().join("; ")),
            format!(
                "The list of {} names it. If that list was lost, issue it again: `touchmark revoke --renew {} --out FILE`.",
                plan.issuer,
                quoted(&plan.issuer)
            ),
        ));
    }
    issue.check(site, &plan.issuer_name)?;
    // What is confirmed at once needs its key at once: where that does not open, nothing is asked for.
    let ready = if plan.second_person { None } else { Some(issue::Ready::new(site, &plan.issuer_name, issue)?) };
    if plan.second_person {
        // Both people are who they say: else one could ask in another's name, and confirm in their own.
        standing.prove(site, who, "revocation.request")?;
    }
    let by = who.by();
    let request = site.book.request_revocation(&plan.issuer_name, ask.reason as u8, ask.note, &plan.wanted, &by)?;
    let Some(ready) = ready.filter(|_| request.purpose != Purpose::Production) else {
        let request = RequestView::of(&request, &Standings::of(site)?);
        return Ok(Revoked { state: "waiting", request, plan, issued: None });
    };
    let confirmed = settle(site, request.number, &ready, issue, who)?;
    Ok(Revoked { state: "confirmed", request: confirmed.request, plan, issued: Some(confirmed.issued) })
}

/// What came of confirming.
#[derive(Debug, Serialize)]
pub struct Confirmed {
    pub request: RequestView,
    pub revoked: u64,
    pub issued: Issued,
}

/// Who is touched by a request that waits: what the second person looks at.
///
/// # Errors
///
/// [`Trouble`] where there is none.
pub fn show(site: &Site, number: i64) -> Result<(RequestView, Plan), Trouble> {
    let request = find(site, number)?;
    Ok((RequestView::of(&request, &Standings::of(site)?), plan::of_request(site, &request)?))
}

fn find(site: &Site, number: i64) -> Result<RevocationRequest, Trouble> {
    site.book.revocation_requests(false, u32::MAX)?.into_iter().find(|r| r.number == number).ok_or_else(|| {
        Trouble::usage(
            format!("there is no revocation request {number}"),
            "See pending requests with `touchmark revocation list`.",
        )
    })
}

/// Confirms a request, by a second person where it is for production, and issues the list.
///
/// # Errors
///
/// [`Trouble`]; says whether the certificates are revoked already.
pub fn confirm(
    site: &Site,
    number: i64,
    issue: &Issue<'_>,
    who: &Who,
    standing: Standing<'_>,
) -> Result<Confirmed, Trouble> {
    let request = find(site, number)?;
    if request.purpose == Purpose::Production {
        standing.prove(site, who, &format!("revocation.confirm {number}"))?;
    }
    // What opens the key is asked for, and the place looked at, before anything is final.
    let ready = issue::Ready::new(site, &request.issuer, issue)?;
    settle(site, number, &ready, issue, who)
}

fn settle(site: &Site, number: i64, ready: &issue::Ready, issue: &Issue<'_>, who: &Who) -> Result<Confirmed, Trouble> {
    let (request, revoked) = site.book.confirm_revocation(number, &who.by())?;
    let issued = ready.issue(site, Some(&request), issue, who)?;
    Ok(Confirmed { request: RequestView::of(&request, &Standings::of(site)?), revoked, issued })
}

/// Withdraws a request that waits.
///
/// # Errors
///
/// [`Trouble`] where it is settled.
pub fn withdraw(site: &Site, number: i64, who: &Who) -> Result<RequestView, Trouble> {
    let withdrawn = site.book.withdraw_revocation(number, &who.by())?;
    Ok(RequestView::of(&withdrawn, &Standings::of(site)?))
}

/// Whether two names are one person's: they may differ in letter case and white space.
pub fn is_same_person(one: &str, other: &str) -> bool {
    let names = Actor::new(one).ok().zip(Actor::new(other).ok());
    names.is_some_and(|(one, other)| one.is_same_person(&other))
}

/// Requests that wait, lists that are kept.
pub fn list(site: &Site, who: &Who) -> Result<Overview, Trouble> {
    let standings = Standings::of(site)?;
    let view = |r: &RevocationRequest| RequestView::of(r, &standings);
    let all = site.book.revocation_requests(false, 100)?;
    Ok(Overview {
        waiting: site.book.revocation_requests(true, 1000)?.iter().map(view).collect(),
        sent: site.book.revocations_sent()?.iter().map(view).collect(),
        lists: site.book.revocation_lists()?.iter().map(|l| ListView::of(l, who)).collect(),
        settled: all.iter().filter(|r| r.settled.is_some()).map(view).collect(),
    })
}

/// A reason as people type it.
///
/// # Errors
///
/// [`Trouble`] for one that a list of this kind never carries.
pub fn reason(text: &str) -> Result<Reason, Trouble> {
    let advice = || {
        let names: Vec<_> = REASONS.iter().filter_map(|r| Reason::name_of(*r as u8)).collect();
        format!("Choose one of {} (RFC 5280 §5.3.1).", names.join(", "))
    };
    match Reason::from_name(text) {
        Some(reason) if REASONS.contains(&reason) => Ok(reason),
        Some(_) => Err(Trouble::usage(format!("{text:?} is not possible: a revocation here is permanent"), advice())),
        None => Err(Trouble::usage(format!("{text:?} is not a reason"), advice())),
    }
}
