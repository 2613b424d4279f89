//! Faults of a stand-in, by name: each rule on meetings has one that provokes it.

use std::fmt;
use std::str::FromStr;

use standard::verdict::{Rule, rule};

/// Declares the faults: variant, name, the rule that finds it, what is wrong.
macro_rules! faults {
    ($($variant:ident = $name:literal, $rule:literal, $what:literal;)*) => {
        /// One thing that is wrong with a stand-in.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum Fault {
            $(#[doc = $what] $variant,)*
        }

        impl Fault {
            /// All, in the order of the catalogue.
            pub const ALL: &[Self] = &[$(Self::$variant),*];

            /// What is typed after `--fault`.
            pub const fn name(self) -> &'static str {
                match self { $(Self::$variant => $name,)* }
            }

            /// What is wrong, as a sentence.
            pub const fn what(self) -> &'static str {
                match self { $(Self::$variant => $what,)* }
            }

            /// Name of the rule that a home finds broken.
            pub const fn rule_name(self) -> &'static str {
                match self { $(Self::$variant => $rule,)* }
            }
        }
    };
}

faults! {
    NotFound = "not-found", "meet.not-found", "Announces another discriminator than the label's.";
    TwoAnswer = "two-answer", "meet.two-answer", "A second unit announces itself with the same discriminator.";
    WindowClosed = "window-closed", "meet.window-closed", "The commissioning window is closed: the first question is answered with a failure.";
    WindowClosedSilent = "window-closed+silent", "meet.window-closed", "The window is closed: the first question is acknowledged, and not answered.";
    Busy = "busy", "meet.busy", "Always busy with another home.";
    Passcode = "passcode", "meet.passcode", "Holds the verifier of another passcode.";
    VerifierParameters = "verifier-parameters", "meet.verifier-parameters", "Reports 999 iterations.";
    VerifierSalt = "verifier-parameters+salt", "meet.verifier-parameters", "Reports a salt of 15 bytes.";
    Point = "point", "meet.point", "Sends a share that is not on the curve.";
    PointSize = "point+size", "meet.point", "Sends a share of 33 bytes.";
    NoAnswer = "no-answer", "meet.no-answer", "Never answers.";
    DiesOpening = "no-answer+opening", "meet.no-answer", "Stops after the first question.";
    DiesArmed = "no-answer+armed", "meet.no-answer", "Stops once it is armed.";
    DiesRead = "no-answer+read", "meet.no-answer", "Stops once it was read.";
    DiesCertificates = "no-answer+certificates", "meet.no-answer", "Stops once it gave its certificates.";
    DiesAttested = "no-answer+attested", "meet.no-answer", "Stops once it gave its attestation.";
    Reply = "reply", "meet.reply", "Answers every command with bytes that are not TLV.";
    ReplyRandom = "reply+random", "meet.reply", "Sends another random value back than the home's.";
    ReplyStatus = "reply+status", "meet.reply", "Refuses to give its certificates.";
    ReplyMissing = "reply+missing", "meet.reply", "Reports no vendor ID.";
    Counter = "counter", "meet.counter", "Seals all its messages under one counter.";
    Identity = "identity", "meet.identity", "Reports the next product ID.";
    IdentityVendor = "identity+vendor", "meet.identity", "Reports another test vendor ID.";
    Serial = "serial", "meet.serial", "Reports another serial number.";
    Label = "label", "meet.label", "Proves itself with another unit's chip.";
    Firmware = "firmware", "meet.firmware", "Reports another firmware version.";
    Request = "request", "meet.request", "Signs its certification request with another key than the DAC's.";
    RequestNonce = "request+nonce", "meet.request", "Sends another nonce with its certification request.";
    RequestForm = "request+form", "meet.request", "Sends a certification request whose own signature does not hold.";
    LeftArmed = "left-armed", "meet.left-armed", "Refuses to disarm.";
    DacEncoding = "dac.encoding", "dac.encoding", "Sends half of its DAC.";
    DacSubject = "chain.signature", "chain.signature", "Sends a DAC with one bit of its signature changed.";
    PaiEncoding = "pai.encoding", "pai.encoding", "Sends nothing in place of its intermediate.";
    PaiIsDac = "chain.complete", "chain.complete", "Sends its DAC in place of its intermediate.";
    DeclarationSignature = "declaration.signature", "declaration.signature", "Sends a declaration with one bit of its signature changed.";
    DeclarationMissing = "exchange.declaration", "exchange.declaration", "Sends a declaration that can't be read.";
    ExchangeElements = "exchange.elements", "exchange.elements", "Sends elements without a timestamp.";
    ExchangeNonce = "exchange.nonce", "exchange.nonce", "Sends another nonce than the home's.";
    ExchangeSignature = "exchange.signature", "exchange.signature", "Signs for another session's challenge.";
    ExchangeSize = "exchange.size", "exchange.size", "Sends elements of more than 900 bytes.";
}

/// No fault of that name.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("there is no fault {0:?}")]
pub struct NoFault(String);

impl Fault {
    /// The rule that a home finds broken.
    pub fn rule(self) -> Option<&'static Rule> {
        rule(self.rule_name())
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl FromStr for Fault {
    type Err = NoFault;

    /// By its name, with or without the `meet.` of its rule.
    fn from_str(text: &str) -> Result<Self, NoFault> {
        let name = text.strip_prefix("meet.").unwrap_or(text);
        let found = Self::ALL.iter().copied().find(|fault| fault.name() == name);
        found.ok_or_else(|| NoFault(text.chars().take(40).collect()))
    }
}
