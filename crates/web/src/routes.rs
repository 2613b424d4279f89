//! Every path, with who may use it. Nothing is routed but through this list, and
//! the tests walk it role by role.

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::handler::Handler;
use axum::http::Method;
use axum::routing::{get, post, put};
use site::access::Role;

use crate::again::{self, Held};
use crate::app::App;
use crate::{answer, api, assets, est, guard, incoming, pages};

/// Who may use a route.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Need {
    /// Anybody, signed in or not; forms must still come from our pages.
    Open,
    /// Programs that carry nothing: health, assets.
    Nobody,
    /// People of these roles.
    Page(&'static [Role]),
    /// Programs whose token has one of these roles.
    Api(&'static [Role]),
}

const ALL: &[Role] = &[Role::Operator, Role::Engineer, Role::Auditor];
const FLOOR: &[Role] = &[Role::Operator, Role::Engineer];
const READ: &[Role] = &[Role::Engineer, Role::Auditor];
const ENGINEER: &[Role] = &[Role::Engineer];

/// Octets of an upload: a delivery for a million chips fits.
const UPLOAD: usize = 2 << 30;

/// A stage of the work: the navigation's first row, in this order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// What to make, out of what, how many.
    Decide,
    /// What comes from outside.
    Receive,
    /// What is being made.
    Line,
    /// What was made, for the rest of its life.
    Answer,
    /// Who works here.
    People,
}

impl Stage {
    /// All, in the order of the work.
    pub const ALL: [Self; 5] = [Self::Decide, Self::Receive, Self::Line, Self::Answer, Self::People];

    /// As people read it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Decide => "Decide",
            Self::Receive => "Receive",
            Self::Line => "Line",
            Self::Answer => "Answer",
            Self::People => "People",
        }
    }
}

/// A page that the navigation names.
#[derive(Debug, Clone, Copy)]
pub struct Part {
    pub stage: Stage,
    pub word: &'static str,
    pub address: &'static str,
    /// Who may open it.
    pub roles: &'static [Role],
}

/// The list.
#[derive(Debug, Default)]
pub struct Table {
    routes: Vec<(Method, &'static str, Need)>,
    parts: Vec<Part>,
    forms: Vec<Held>,
}

impl Table {
    /// Who may use a route; `None` where there is none.
    pub fn need(&self, method: &Method, path: &str) -> Option<Need> {
        self.routes.iter().find(|(m, p, _)| m == method && *p == path).map(|(_, _, need)| *need)
    }

    /// All routes.
    pub fn all(&self) -> &[(Method, &'static str, Need)] {
        &self.routes
    }

    /// The form that is sent there, where it is one that is given again.
    pub fn form(&self, method: &Method, path: &str) -> Option<&Held> {
        self.forms.iter().find(|h| h.method == method && h.path == path)
    }

    /// All forms that are given again where something is wrong with them.
    pub fn forms(&self) -> &[Held] {
        &self.forms
    }

    /// Pages that the navigation names, in its order within a stage.
    pub fn parts(&self) -> &[Part] {
        &self.parts
    }
}

/// Puts routes and list together.
pub(crate) struct Routes {
    router: Router<App>,
    table: Table,
}

impl Routes {
    pub(crate) fn get<H: Handler<T, App>, T: 'static>(mut self, path: &'static str, need: Need, handler: H) -> Self {
        self.table.routes.push((Method::GET, path, need));
        self.router = self.router.route(path, get(handler));
        self
    }

    /// A page that the navigation names: this one line puts it there, for those who may open it.
    pub(crate) fn part<H: Handler<T, App>, T: 'static>(
        mut self,
        (stage, word): (Stage, &'static str),
        address: &'static str,
        roles: &'static [Role],
        handler: H,
    ) -> Self {
        self.table.parts.push(Part { stage, word, address, roles });
        self.get(address, Need::Page(roles), handler)
    }

    pub(crate) fn post<H: Handler<T, App>, T: 'static>(mut self, path: &'static str, need: Need, handler: H) -> Self {
        self.table.routes.push((Method::POST, path, need));
        self.router = self.router.route(path, post(handler));
        self
    }

    pub(crate) fn put<H: Handler<T, App>, T: 'static>(mut self, path: &'static str, need: Need, handler: H) -> Self {
        self.table.routes.push((Method::PUT, path, need));
        self.router = self.router.route(path, put(handler));
        self
    }

    /// What the last route takes is a form of a page, with its id there: where something is wrong it is given again.
    pub(crate) fn of(mut self, page: &'static str, id: &'static str) -> Self {
        if let Some((method, path, _)) = self.table.routes.last() {
            let method = if *method == Method::GET { &Method::GET } else { &Method::POST };
            self.table.forms.push(Held { method, path, page, id });
        }
        self
    }

    /// A route that takes files.
    pub(crate) fn files<H: Handler<T, App>, T: 'static>(mut self, path: &'static str, need: Need, handler: H) -> Self {
        self.table.routes.push((Method::POST, path, need));
        self.router = self.router.route(path, post(handler).layer(DefaultBodyLimit::max(UPLOAD)));
        self
    }
}

fn pages(routes: Routes) -> Routes {
    use Stage::{Answer, Decide, Line, People, Receive};
    use pages::{
        access, authorities, cartons, company, declarations, deliveries, evidence, examine, find, fit, impact, inspect,
        labels, line, log, noun, people, plan, products, reels, report, revocation, station, units,
    };
    routes
        .part((Decide, "Fit"), "/fit", READ, fit::show)
        .part((Decide, "Plan"), "/plan", READ, plan::show)
        .of("/plan", "plan")
        .part((Decide, "Products"), "/products", READ, products::list)
        .part((Decide, "Examine"), "/examine", READ, examine::show)
        .part((Receive, "Reels"), "/reels", READ, reels::list)
        .part((Receive, "Deliveries"), "/deliveries", READ, deliveries::list)
        .part((Receive, "Authorities"), "/authorities", READ, authorities::list)
        .part((Receive, "Declarations"), "/declarations", READ, declarations::list)
        .part((Receive, "Trust sets"), "/trust-sets", READ, noun::trust_sets)
        .part((Line, "Line"), "/line", ALL, line::show)
        .part((Line, "Stations"), "/stations", ALL, station::list)
        .part((Line, "Final inspection"), "/inspect", FLOOR, inspect::show)
        .part((Line, "Labels"), "/labels", ENGINEER, labels::show)
        .part((Line, "Cartons"), "/cartons", ALL, cartons::list)
        .part((Line, "Report"), "/report", READ, report::show)
        .of("/report", "report")
        .part((Answer, "Units"), "/units", READ, units::list)
        .of("/units", "units")
        .part((Answer, "Impact"), "/impact", READ, impact::show)
        .of("/impact", "impact")
        .part((Answer, "Evidence"), "/evidence", READ, evidence::show)
        .part((Answer, "Revocation"), "/revocation", READ, revocation::show)
        .part((Answer, "Log"), "/log", READ, log::list)
        .part((People, "People"), "/people", READ, people::list)
        .get("/assets/{file}", Need::Nobody, assets::get)
        .get("/.well-known/est/{name}/cacerts", Need::Nobody, est::authorities)
        .get("/.well-known/est/{name}/csrattrs", Need::Nobody, est::attributes)
        .post("/.well-known/est/{name}/simpleenroll", Need::Nobody, est::enroll)
        .post("/.well-known/est/{name}/simplereenroll", Need::Nobody, est::enroll)
        .get("/sign-in", Need::Open, access::show)
        .post("/sign-in", Need::Open, access::sign_in)
        .of("/sign-in", "password")
        .post("/badge", Need::Open, access::badge)
        .of("/sign-in", "badge")
        .get("/sign-in/company", Need::Open, company::begin)
        .get("/sign-in/company/back", Need::Open, company::back)
        .get("/first", Need::Open, access::show_first)
        .post("/first", Need::Open, access::first)
        .of("/first", "first")
        .post("/sign-out", Need::Page(ALL), access::sign_out)
        .get("/account", Need::Page(ALL), access::show_own)
        .post("/account", Need::Page(ALL), access::change_own)
        .of("/account", "own")
        .get("/", Need::Page(ALL), access::home)
        .get("/find", Need::Page(READ), find::find)
        .get("/authorities/{name}", Need::Page(READ), noun::authority)
        .get("/products/{name}", Need::Page(READ), noun::product)
        .get("/declarations/{name}", Need::Page(READ), noun::declaration)
        .get("/trust-sets/{name}", Need::Page(READ), noun::trust_set)
        .get("/rules/{name}", Need::Page(READ), noun::rule)
        .get("/line/now", Need::Page(ALL), line::now)
        .get("/line/events", Need::Page(ALL), line::events)
        .get("/line/watch", Need::Page(READ), line::watched)
        .get("/report.pdf", Need::Page(READ), report::pdf)
        .files("/fit", Need::Page(READ), fit::judge)
        .of("/fit", "fit")
        .get("/impact.csv", Need::Page(READ), impact::csv)
        .post("/stations", Need::Page(ENGINEER), station::set_up)
        .of("/stations", "station")
        .get("/stations/{station}/about", Need::Page(READ), station::about)
        .post("/stations/{station}/change", Need::Page(ENGINEER), station::change)
        .of("/stations/{station}/about", "change")
        .files("/chips/simulate", Need::Page(ENGINEER), station::simulate)
        .of("/stations", "simulate")
        .get("/stations/{station}", Need::Page(FLOOR), station::show)
        .get("/stations/{station}/events", Need::Page(FLOOR), station::events)
        .post("/stations/{station}/scan", Need::Page(FLOOR), station::scan)
        .get("/stations/{station}/label.svg", Need::Page(FLOOR), station::label)
        .post("/stations/{station}/printed", Need::Page(FLOOR), station::printed)
        .post("/stations/{station}/later", Need::Page(FLOOR), station::later)
        .post("/stations/{station}/clear", Need::Page(FLOOR), station::clear)
        .files("/reels", Need::Page(ENGINEER), reels::receive)
        .of("/reels", "receive")
        .get("/reels/{reel}", Need::Page(READ), reels::show)
        .get("/reels/{reel}/tape", Need::Page(READ), reels::tape)
        .post("/reels/{reel}/issue", Need::Page(ENGINEER), reels::issue)
        .of("/reels/{reel}", "issue")
        .post("/reels/{reel}/order", Need::Page(ENGINEER), reels::order)
        .post("/reels/{reel}/withdraw", Need::Page(ENGINEER), reels::withdraw)
        .post("/reels/{reel}/split", Need::Page(ENGINEER), reels::split)
        .of("/reels/{reel}", "split")
        .post("/reels/{reel}/assign", Need::Page(ENGINEER), reels::assign)
        .of("/reels/{reel}", "assign")
        .post("/reels/{reel}/scrap", Need::Page(ENGINEER), reels::scrap)
        .of("/reels/{reel}", "scrap")
        .files("/deliveries", Need::Page(ENGINEER), deliveries::receive)
        .of("/deliveries", "receive")
        .get("/deliveries/{delivery}", Need::Page(READ), deliveries::show)
        .post("/deliveries/{delivery}/withdraw", Need::Page(ENGINEER), deliveries::withdraw)
        .get("/incoming/{id}", Need::Page(ALL), incoming::show)
        .get("/incoming/{id}/file", Need::Page(READ), incoming::file)
        .post("/incoming/{id}/accept", Need::Page(ENGINEER), incoming::accept)
        .post("/incoming/{id}/stop", Need::Page(ALL), incoming::stop)
        .get("/units/{unit}", Need::Page(READ), units::show)
        .get("/units/{unit}/label.svg", Need::Page(ENGINEER), units::label)
        .post("/units/{unit}/evidence", Need::Page(READ), evidence::pack)
        .get("/cartons/{carton}", Need::Page(ALL), cartons::show)
        .post("/cartons/{carton}/pack", Need::Page(FLOOR), cartons::pack)
        .of("/cartons/{carton}", "pack")
        .post("/cartons/{carton}/unpack", Need::Page(FLOOR), cartons::unpack)
        .of("/cartons/{carton}", "unpack")
        .files("/labels", Need::Page(ENGINEER), labels::print)
        .of("/labels", "labels")
        .post("/inspect", Need::Page(FLOOR), inspect::meet)
        .of("/inspect", "inspect")
        .post("/evidence", Need::Page(READ), evidence::export)
        .of("/evidence", "evidence")
        .post("/evidence/key", Need::Page(READ), evidence::key)
        .post("/units/{unit}/scrap", Need::Page(ENGINEER), units::scrap)
        .of("/units/{unit}", "acts")
        .post("/units/{unit}/return", Need::Page(ENGINEER), units::take_back)
        .of("/units/{unit}", "acts")
        .post("/units/{unit}/rework", Need::Page(ENGINEER), units::rework)
        .of("/units/{unit}", "acts")
        .post("/units/{unit}/swap", Need::Page(ENGINEER), units::swap)
        .of("/units/{unit}", "acts")
        .post("/units/{unit}/refurbish", Need::Page(ENGINEER), units::refurbish)
        .of("/units/{unit}", "acts")
        .post("/units/{unit}/erased", Need::Page(ENGINEER), units::erased)
        .of("/units/{unit}", "erased")
        .files("/examine", Need::Page(READ), examine::examine)
        .of("/examine", "examine")
        .post("/products", Need::Page(ENGINEER), products::add)
        .of("/products", "add")
        .post("/authorities/raise", Need::Page(ENGINEER), authorities::raise)
        .of("/authorities", "raise")
        .files("/authorities/adopt", Need::Page(ENGINEER), authorities::adopt)
        .of("/authorities", "adopt")
        .post("/authorities/withdraw", Need::Page(ENGINEER), authorities::withdraw)
        .post("/declarations/withdraw", Need::Page(ENGINEER), declarations::withdraw)
        .post("/declarations/make", Need::Page(ENGINEER), declarations::make)
        .of("/declarations", "make")
        .files("/declarations/adopt", Need::Page(ENGINEER), declarations::adopt)
        .of("/declarations", "adopt")
        .post("/revocation", Need::Page(ENGINEER), revocation::request)
        .of("/revocation/ask?", "revoke")
        .get("/revocation/ask", Need::Page(READ), revocation::ask)
        .of("/revocation", "ask")
        .post("/revocation/renew", Need::Page(ENGINEER), revocation::renew)
        .of("/revocation", "renew")
        .files("/revocation/adopt", Need::Page(ENGINEER), revocation::adopt)
        .of("/revocation", "adopt")
        .get("/revocation/requests/{request}", Need::Page(READ), revocation::one)
        .get("/revocation/requests/{request}/to-send", Need::Page(READ), revocation::to_send)
        .post("/revocation/requests/{request}/confirm", Need::Page(ENGINEER), revocation::confirm)
        .of("/revocation/requests/{request}", "confirm")
        .post("/revocation/requests/{request}/withdraw", Need::Page(ENGINEER), revocation::withdraw)
        .get("/revocation/lists/{issuer}", Need::Page(READ), revocation::list)
        .get("/revocation/lists/{issuer}/point", Need::Page(READ), revocation::point)
        .post("/people", Need::Page(ENGINEER), people::add)
        .of("/people", "add")
        .get("/people/{name}", Need::Page(READ), people::show)
        .post("/people/{name}/change", Need::Page(ENGINEER), people::change)
        .of("/people/{name}", "change")
        .post("/people/close", Need::Page(ENGINEER), people::close)
        .post("/tokens", Need::Page(ENGINEER), people::give_token)
        .of("/people", "token")
        .post("/tokens/revoke", Need::Page(ENGINEER), people::revoke_token)
        .post("/log/verify", Need::Page(READ), log::verify)
}

/// The whole server, and its list.
pub fn router(app: &App) -> (Router, &'static Table) {
    let routes = Routes { router: Router::new(), table: Table::default() };
    let Routes { router, table } = api::routes(pages(routes), ALL, FLOOR, READ, ENGINEER);
    // One list for as long as the program runs.
    let table: &'static Table = Box::leak(Box::new(table));
    // The same list for every router of a process.
    let _ = app.table.set(table);
    let guarded = axum::middleware::from_fn_with_state((app.clone(), table), guard::guard);
    let router = router.route_layer(guarded);
    let inner = router.clone().with_state(app.clone());
    let router = router
        .route_layer(axum::middleware::from_fn_with_state((table, inner), again::again))
        .fallback(|| async { answer::Oops::Missing })
        .layer(axum::middleware::from_fn_with_state(app.clone(), answer::dress))
        .layer(axum::middleware::from_fn_with_state(app.clone(), answer::headers))
        .layer(axum::middleware::from_fn_with_state(app.clone(), guard::patience))
        .with_state(app.clone());
    (router, table)
}
