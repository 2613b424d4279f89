//! What to do about what bites: one sentence for those at a command line and those at a page. Where the thing is done by
//! a command the one are told the command, the others the page.

use std::fmt;

use serde::{Serialize, Serializer};

/// Where pages do a thing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum At {
    /// Authorities are adopted there.
    Authorities,
    /// Declarations are.
    Declarations,
    /// Lists are issued and adopted there.
    Revocation,
    /// A request for a revocation, by its number.
    Request(i64),
    /// Chips and credentials are planned there, with the past of a product.
    Plan(String),
}

/// A piece of the sentence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Piece {
    /// Words for both.
    Words(&'static str),
    /// What is done: in words for a command line, where a command stands in backticks; for a page, in words that lead
    /// to where it is done. Where no page does it, the command line's words are for both.
    Act(&'static str, Option<(&'static str, At)>),
}

/// The sentence. As text, and in JSON, it is that of the command line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Advice(pub Vec<Piece>);

impl Advice {
    /// Words for both alone.
    pub(super) fn words(words: &'static str) -> Self {
        Self(vec![Piece::Words(words)])
    }

    /// Words, what is done by a command alone, words.
    pub(super) fn command(before: &'static str, command: &'static str, after: &'static str) -> Self {
        Self(vec![Piece::Words(before), Piece::Act(command, None), Piece::Words(after)])
    }

    /// Words, what is done by a command or on a page, words.
    ///
    /// - `page`: the words that lead there.
    pub(super) fn act(
        before: &'static str,
        command: &'static str,
        (page, at): (&'static str, At),
        after: &'static str,
    ) -> Self {
        Self(vec![Piece::Words(before), Piece::Act(command, Some((page, at))), Piece::Words(after)])
    }
}

impl fmt::Display for Advice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|piece| match piece {
            Piece::Words(words) | Piece::Act(words, _) => f.write_str(words),
        })
    }
}

impl Serialize for Advice {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_command_line_is_told_the_command() {
        let advice = Advice::act("Order now; ", "`touchmark plan`", ("the plan", At::Plan("Vent".into())), " tells.");
        assert_eq!(advice.to_string(), "Order now; `touchmark plan` tells.");
        let json = serde_json::to_string(&advice).unwrap_or_default();
        assert_eq!(json, "\"Order now; `touchmark plan` tells.\"");
    }
}
