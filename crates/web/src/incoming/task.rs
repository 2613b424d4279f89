//! What long work is, and what comes of it.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use answer::{evidence, keeping};
use base::Trouble;
use base::course::{Course, Phase};
use base::finding_view::FindingView;
use line::chips::Passphrase;
use line::label;
use line::label::Job;
use line::meeting::{self, MeetingVerdict, Way, World, meet_rack};
use print::paper::Document;
use receive::{delivery, reel};
use report::{self, Request};
use site::Who;
use zeroize::Zeroizing;

use super::findings::{Group, grouped};
use crate::app::App;
use crate::pages::chosen::Chosen;

/// Certificates and other things that are examined at once: the answer names each, in memory.
const EXAMINED: usize = 20_000;

/// How long a unit is looked for, and how long an answer of it may take.
const PATIENCE: Duration = Duration::from_secs(10);
/// Units that are met at a time.
const SIDE_BY_SIDE: usize = 16;

/// What is to be done.
#[derive(Clone)]
pub enum Task {
    /// A manifest.
    Reel {
        reel: String,
        /// What its chips are for.
        product: String,
        /// How its manifest is read.
        options: reel::Options,
    },
    /// A delivery.
    Delivery { reel: String, password: Option<Zeroizing<Vec<u8>>> },
    /// Credentials issued here, for every chip of a reel that has none.
    Issue { reel: String, issuer: String, passphrase: Arc<Passphrase> },
    /// Anything, to be examined.
    Examine {
        /// Roots that are trusted, beside those of the site where that is wanted.
        trust: Vec<PathBuf>,
        /// Whoever may sign declarations.
        signers: Vec<PathBuf>,
        /// What the device says it is.
        device: standard::verdict::Device,
    },
    /// The whole book, held against its log.
    Verify,
    /// A pack for an auditor.
    Evidence {
        units: Chosen,
        /// What its file is called.
        file: String,
    },
    /// A run of labels.
    Labels {
        units: Chosen,
        /// How; its file's name alone is used.
        job: Job,
    },
    /// Finished units, met side by side.
    Meet { list: Vec<meeting::Line> },
    /// A report.
    Report {
        request: Request,
        /// The same as it was asked for, to be known again.
        query: String,
    },
}

impl Task {
    /// The page that it was asked for on, and its title.
    pub(super) fn page(&self) -> (&'static str, &'static str) {
        match self {
            Self::Reel { .. } | Self::Issue { .. } => ("/reels", "Reels"),
            Self::Delivery { .. } => ("/deliveries", "Deliveries"),
            Self::Examine { .. } => ("/examine", "Examine"),
            Self::Verify => ("/log", "Log"),
            Self::Evidence { .. } => ("/evidence", "Evidence"),
            Self::Labels { .. } => ("/labels", "Labels"),
            Self::Meet { .. } => ("/inspect", "Final inspection"),
            Self::Report { .. } => ("/report", "Report"),
        }
    }

    /// What is counted.
    pub(super) fn things(&self, phase: Phase) -> &'static str {
        match (self, phase) {
            (Self::Verify, _) => "entries and rows",
            (Self::Reel { .. }, _) => "chips",
            (Self::Examine { .. }, Phase::Reading) => "files",
            (Self::Delivery { .. }, _) | (Self::Issue { .. }, _) | (Self::Examine { .. }, _) => "certificates",
            (Self::Labels { .. }, Phase::Drawing) => "labels",
            (Self::Evidence { .. }, _) | (Self::Labels { .. }, _) | (Self::Meet { .. }, _) => "units",
            (Self::Report { .. }, _) => "attempts and steps",
        }
    }
}

/// What came of it.
pub enum Outcome {
    /// Still at it.
    Running,
    /// Judged.
    Judged {
        /// What came of it.
        answer: Answer,
        /// Whether the good part could be kept.
        partly: bool,
    },
    /// A file to take away.
    Made(Made),
    /// A report.
    Reported(Arc<Reported>),
    /// It could not be read, it was stopped, or the surroundings failed.
    Failed(Trouble),
}

/// What an act of the rooms answered.
pub enum Answer {
    /// Of a manifest.
    Reel(reel::Received),
    /// Of a delivery.
    Delivery(Box<delivery::Received>),
    /// Of credentials issued here.
    Issued(delivery::Issued),
    /// Of an examination.
    Examined(examine::Examination),
    /// Of verifying the book.
    Verified(keeping::Verified),
    /// Of finished units that were met.
    Met(meeting::Rack),
}

impl Answer {
    /// The verdict's word.
    pub fn verdict(&self) -> &'static str {
        match self {
            Self::Reel(received) => received.verdict.word(),
            Self::Delivery(received) => received.verdict.word(),
            Self::Issued(issued) => issued.verdict.word(),
            Self::Examined(examined) => examined.verdict.word(),
            Self::Verified(verified) => verified.verdict.word(),
            // The worst of them.
            Self::Met(rack) if rack.rejected > 0 => MeetingVerdict::Rejected.word(),
            Self::Met(rack) if rack.unreachable > 0 => MeetingVerdict::Unreachable.word(),
            Self::Met(_) => MeetingVerdict::Accepted.word(),
        }
    }

    /// The findings, by rule.
    pub fn groups(&self) -> Vec<Group> {
        match self {
            Self::Reel(received) => grouped(&received.findings),
            Self::Delivery(received) => grouped(&received.findings),
            Self::Examined(examined) => {
                let told = examined.findings().map(|(subject, finding)| FindingView::of(&*subject.name, finding));
                grouped(&told.collect::<Vec<_>>())
            }
            Self::Issued(_) | Self::Verified(_) | Self::Met(_) => Vec::new(),
        }
    }
}

/// A file that was made.
#[derive(Clone)]
pub enum Made {
    /// A pack, on the disk.
    Pack(evidence::Exported, PathBuf),
    /// Labels as PDF: they show passcodes, so that no disk has them.
    Labels(Box<label::Printed>, Arc<Zeroizing<Vec<u8>>>),
}

/// A report that was made.
pub struct Reported {
    /// On what it is.
    pub request: Request,
    /// The report as a document.
    pub document: Document,
    /// Whether the worst hour was asked for and there is none.
    pub no_worst: bool,
}

/// Files that were brought, and where more can be put.
pub(super) struct Files<'a> {
    pub brought: &'a [PathBuf],
    /// A folder of the work's own.
    pub folder: Option<&'a Path>,
}

/// Does it, by the rooms' own functions.
pub(super) fn done(
    app: &App,
    task: &Task,
    files: &Files<'_>,
    accept_part: bool,
    who: &Who,
    course: &Course,
) -> Result<Outcome, Trouble> {
    let first = || files.brought.first().ok_or_else(|| Trouble::usage("no file came", "Choose a file."));
    let site = &app.site;
    let judged = |answer| Ok(Outcome::Judged { answer, partly: false });
    match task {
        Task::Issue { reel, issuer, passphrase } => {
            judged(Answer::Issued(delivery::issue(site, reel, issuer, &**passphrase, who, course)?))
        }
        Task::Reel { reel, product, options } => {
            judged(Answer::Reel(reel::receive(site, first()?, reel, product, options, who, course)?))
        }
        Task::Delivery { reel, password } => {
            let received = delivery::receive(site, first()?, reel, accept_part, password.as_ref(), who, course)?;
            let partly = received.has_good_part() && !accept_part;
            Ok(Outcome::Judged { answer: Answer::Delivery(Box::new(received)), partly })
        }
        Task::Examine { trust, signers, device } => {
            let request = examine::Examine {
                files: examine::Input::at(files.brought),
                trust: examine::Input::at(trust),
                signers: examine::Input::at(signers),
                device: *device,
                most: Some(EXAMINED),
                ..examine::Examine::default()
            };
            judged(Answer::Examined(examine::examine(&request, who.now(), course)?))
        }
        Task::Verify => judged(Answer::Verified(keeping::verify(site, &[], course)?)),
        Task::Evidence { units, file } => {
            let nowhere = || Trouble::surroundings("there is no folder to make the pack in", "Ask for it again.");
            let out = files.folder.ok_or_else(nowhere)?.join(file);
            let made = evidence::export(site, &units.which(), &out, None, who, course)?;
            Ok(Outcome::Made(Made::Pack(made, out)))
        }
        Task::Labels { units, job } => {
            let (printed, octets) = label::pdf_of_book(site, &units.which(), job, None, who, course)?;
            Ok(Outcome::Made(Made::Labels(Box::new(printed), Arc::new(octets))))
        }
        Task::Meet { list } => {
            let way = Way { interface: None, through: None, timeout: PATIENCE };
            let world = World::load(Some((site, None, who)), (&[], &[]), &[], way, who.now())?;
            judged(Answer::Met(meet_rack(&world, list, SIDE_BY_SIDE, course)?))
        }
        Task::Report { request, .. } => {
            let report = report::report(site, request, (app.clock)(), course)?;
            let no_worst = request.worst_hour && report.worst_hour.is_none();
            Ok(Outcome::Reported(Arc::new(Reported {
                request: request.clone(),
                document: report::page::document(&report),
                no_worst,
            })))
        }
    }
}
