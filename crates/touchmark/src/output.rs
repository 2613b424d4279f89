//! Words or JSON on standard output; failures on standard error.

use std::io::{self, IsTerminal, Write};
use std::process::ExitCode;
use std::sync::{Arc, OnceLock};

use base::{Advise, Kind, Said, Trouble, sentence};
use serde::Serialize;
use serde_json::Value as Json;
use standard::name::printable;

/// The key that an answer has in JSON where the book is older than its checkpoint.
const BOOK_OLDER: &str = "book_older";

/// How a command that did not fail ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// Done, or accepted.
    Done,
    /// Examined and rejected, or a unit failed.
    Rejected,
    /// A unit could not be met, so that nothing can be said of it.
    Unreachable,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        match exit {
            Exit::Done => ExitCode::SUCCESS,
            Exit::Rejected => ExitCode::from(1),
            Exit::Unreachable => ExitCode::from(3),
        }
    }
}

/// A failure as people and programs see it.
#[derive(Debug)]
pub struct Failure {
    kind: Kind,
    message: String,
    advice: Option<String>,
    causes: Vec<String>,
    before: Option<Box<Before>>,
}

/// What was done before a failure.
#[derive(Debug)]
struct Before {
    words: String,
    /// The same as a key of its own in JSON.
    done: Option<(&'static str, Json)>,
}

impl Failure {
    /// A wrong call or unreadable input.
    pub fn usage(message: impl Into<String>, advice: impl Into<String>) -> Self {
        Self {
            kind: Kind::Usage,
            message: message.into(),
            advice: Some(advice.into()),
            causes: Vec::new(),
            before: None,
        }
    }

    /// The surroundings failed.
    pub fn surroundings(message: impl Into<String>, advice: impl Into<String>) -> Self {
        Self {
            kind: Kind::Surroundings,
            message: message.into(),
            advice: Some(advice.into()),
            causes: Vec::new(),
            before: None,
        }
    }
}

impl Failure {
    /// The same with other advice.
    #[must_use]
    pub fn advised(self, advice: impl Into<String>) -> Self {
        Self { advice: Some(advice.into()), ..self }
    }

    /// The same with one sentence more of advice.
    #[must_use]
    pub fn advising(mut self, sentence: &str) -> Self {
        let before = self.advice.take().filter(|a| !a.is_empty());
        self.advice = Some(before.map_or_else(|| sentence.to_owned(), |before| format!("{before} {sentence}")));
        self
    }
}

impl Failure {
    /// The same after work of which some was done.
    #[must_use]
    pub fn after(self, words: String, done: Option<(&'static str, Json)>) -> Self {
        Self { before: Some(Box::new(Before { words, done })), ..self }
    }
}

impl<E: Advise + 'static> From<E> for Failure {
    fn from(error: E) -> Self {
        let Said { kind, message, advice } = Said::by(&error);
        let mut causes = Vec::new();
        let mut source = error.source();
        while let Some(cause) = source {
            let text = cause.to_string();
            if !message.contains(&text) {
                causes.push(text);
            }
            source = cause.source();
        }
        Self { kind, message, advice, causes, before: None }
    }
}

/// Where answers go.
#[derive(Debug)]
pub struct Output {
    json: bool,
    /// -1 quiet, 0 usual, 1 and up more.
    level: i8,
    /// What is said of the book that answers, where it is older than its checkpoint.
    older: Arc<OnceLock<String>>,
}

impl Output {
    /// An output in JSON or in words.
    pub fn new(json: bool, level: i8) -> Self {
        Self { json, level, older: Arc::default() }
    }

    /// Where a site that is opened says that its book is older than its checkpoint.
    pub fn older(&self) -> Arc<OnceLock<String>> {
        Arc::clone(&self.older)
    }

    /// Whether `-v` was given.
    pub fn is_verbose(&self) -> bool {
        self.level > 0
    }

    /// Whether `-q` was given.
    pub fn is_quiet(&self) -> bool {
        self.level < 0
    }

    /// Whether the answer is to be JSON.
    pub fn is_json(&self) -> bool {
        self.json
    }

    /// Passes on an answer that is a JSON document already: an object that is not empty.
    ///
    /// # Errors
    ///
    /// As [`Output::show`].
    pub fn pour(&mut self, document: &mut dyn io::Read) -> Result<(), Failure> {
        let mut out = io::stdout().lock();
        let written = match self.older.get() {
            Some(older) => (|| {
                let mut brace = [0];
                document.read_exact(&mut brace)?;
                write!(out, "{{{}:{},", Json::from(BOOK_OLDER), Json::from(older.as_str()))
            })(),
            None => Ok(()),
        };
        Self::written(written.and_then(|()| io::copy(document, &mut out)).and_then(|_| out.flush()))
    }

    fn written(result: io::Result<()>) -> Result<(), Failure> {
        match result {
            Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
                let told = "Standard output can't be written, and the work itself is done.";
                Err(Trouble::surroundings(told, "Check where the output goes.").because(error).into())
            }
            _ => Ok(()),
        }
    }

    /// Whether sentences about what happens go to standard error.
    pub fn tells(&self) -> bool {
        self.level >= 0 && !self.json
    }

    /// Whether progress may be drawn: on a terminal, and not with `-q`.
    pub fn draws_progress(&self) -> bool {
        self.level >= 0 && io::stderr().is_terminal()
    }

    /// Whether words may carry colour and shapes: a terminal that is not dumb, no `NO_COLOR`.
    pub fn is_styled(&self) -> bool {
        !self.json
            && io::stdout().is_terminal()
            && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty())
            && std::env::var_os("TERM").is_none_or(|t| t != "dumb")
    }

    /// Warns on standard error of what an answer also carries in JSON. `-q` leaves out what happens, never a warning.
    pub fn warn(&self, warnings: &[impl AsRef<str>]) {
        if !self.json {
            let mut err = io::stderr().lock();
            for warning in warnings {
                let _ = writeln!(err, "warning: {}", printable(warning.as_ref()));
            }
        }
    }

    /// Shows a command's answer: the value as JSON, or the words.
    ///
    /// # Errors
    ///
    /// Where standard output can't be written; a closed pipe is no failure.
    pub fn show<T: Serialize + ?Sized>(
        &mut self,
        value: &T,
        words: impl FnOnce(&mut dyn Write) -> io::Result<()>,
    ) -> Result<(), Failure> {
        let mut out = io::BufWriter::new(io::stdout().lock());
        let written = if self.json {
            let to = &mut out;
            match self.older.get() {
                None => serde_json::to_writer(to, value),
                Some(older) => serde_json::to_value(value).and_then(|mut value| {
                    if let Some(object) = value.as_object_mut() {
                        object.insert(BOOK_OLDER.into(), older.as_str().into());
                    }
                    serde_json::to_writer(to, &value)
                }),
            }
            .map_err(io::Error::from)
            .and_then(|()| writeln!(out))
        } else {
            words(&mut out)
        };
        Self::written(written.and_then(|()| out.flush()))
    }

    /// Ends the words of an act with what comes next, as one sentence. Nothing with `--json` or `-q`.
    pub fn next(&mut self, sentence: &str) {
        if self.level >= 0 && !self.json {
            // Where the words were written, this can be; where the reader is gone, nobody misses it.
            let _ = writeln!(io::stdout(), "Next: {sentence}");
        }
    }

    /// Shows a failure and gives the exit code that goes with it.
    pub fn fail(&mut self, failure: &Failure) -> ExitCode {
        if self.json {
            let mut document = serde_json::json!({"error": {
                "kind": failure.kind.word(), "message": sentence(&failure.message), "advice": failure.advice,
            }});
            // The chain as in words: the message alone may be no more than what was being done.
            if !failure.causes.is_empty() {
                document["error"]["because"] = failure.causes.join(": ").into();
            }
            if let Some(before) = &failure.before {
                document["error"]["before"] = before.words.as_str().into();
                if let Some((name, value)) = &before.done {
                    document[name] = value.clone();
                }
            }
            let _ = writeln!(io::stdout(), "{document}");
        } else {
            let mut err = io::stderr().lock();
            let _ = writeln!(err, "touchmark: {}", printable(&sentence(&failure.message)));
            for cause in &failure.causes {
                let _ = writeln!(err, "  because: {}", printable(cause));
            }
            if let Some(before) = &failure.before {
                let _ = writeln!(err, "  {}", before.words);
            }
            if let Some(advice) = &failure.advice {
                let _ = writeln!(err, "  next: {advice}");
            }
        }
        ExitCode::from(failure.kind.exit_code())
    }
}
