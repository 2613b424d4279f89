//! Rules on an attestation exchange. Source: Core Spec 6.2.3, 11.18.

super::rules! {
    TABLE:
    ELEMENTS = "exchange.elements", Error, "Core Spec 11.18.4.5";
        "One structure: declaration, nonce of 32 bytes, timestamp, firmware information if any, then vendor-specific elements. Tags of a later release are passed over.";
        "The device's firmware builds its answer wrongly. Show this to its maker.";
    NONCE = "exchange.nonce", Error, "Core Spec 6.2.3.1";
        "The nonce in the answer is the verifier's, 32 bytes.";
        "An old answer was sent again, or answers were mixed up. Ask the device again.";
    SIGNATURE = "exchange.signature", Error, "Core Spec 6.2.3.1";
        "64 bytes, r and s, by the DAC's key over elements and challenge.";
        "The chip's key is not the certificate's, or the answer was changed. Put the unit aside.";
    SIZE = "exchange.size", Error, "Core Spec 11.18.4.5";
        "The elements take at most 900 bytes, the challenge exactly 16.";
        "The answer would not fit its message. Shorten firmware information or vendor-specific elements.";
    DECLARATION = "exchange.declaration", Error, "Core Spec 6.2.3.1";
        "The declaration in the answer can be read and equals the one given with it.";
        "The device does not send its product's declaration. Check what was written into it.";
}
