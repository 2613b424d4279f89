//! Rules on a meeting: what lies between a unit's label and its chip. Source: Core Spec 4.3, 4.12, 4.14.1, 5.1, 11.

super::rules! {
    TABLE:
    NOT_FOUND = "meet.not-found", Error, "Core Spec 4.3.1";
        "A unit announces itself with the code's discriminator, and with its vendor and product ID where the code has them.";
        "Check that the unit is powered, on this network and in commissioning mode, and that the label is its own.";
    TWO_ANSWER = "meet.two-answer", Error, "Core Spec 4.3.1.2";
        "One unit announces itself with the code's discriminator.";
        "Switch the other units off, or give the unit's address. No passcode was tried.";
    WINDOW_CLOSED = "meet.window-closed", Error, "Core Spec 5.4.2.3";
        "The unit lets a home in with the printed passcode.";
        "Switch the unit off and on, or reset it, so that it opens its commissioning window; then try again.";
    BUSY = "meet.busy", Error, "Core Spec 4.14.1";
        "The unit has time for this home.";
        "Another home is opening a session with the unit, or did a minute ago. Wait, then try again.";
    PASSCODE = "meet.passcode", Error, "Core Spec 4.14.1";
        "The unit confirms the passcode of the label.";
        "The label is another unit's, or the unit holds another verifier. Do not try again: after 20 wrong tries it closes. Compare label and record.";
    VERIFIER_PARAMETERS = "meet.verifier-parameters", Error, "Core Spec 3.9";
        "The unit's verifier has 1000 to 100000 iterations and a salt of 16 to 32 bytes.";
        "The unit's factory record is wrong or was damaged. No passcode was tried. Write the record again.";
    POINT = "meet.point", Error, "RFC 9383 §3.3";
        "The unit's share is a point of P-256, and no value derived from it is infinity.";
        "The unit's firmware computes the session wrongly. Show this to its maker.";
    NO_ANSWER = "meet.no-answer", Error, "Core Spec 4.12.2";
        "The unit answers each message in time.";
        "Check power, address and network, then meet the unit again. If it always stops at this step, show this to the firmware's maker.";
    REPLY = "meet.reply", Error, "Core Spec 4.4, 4.14.1, 8, 11";
        "The unit gives the answer that the standard has for the question.";
        "The unit's firmware answers wrongly. Show this to its maker.";
    COUNTER = "meet.counter", Error, "Core Spec 4.6";
        "No message counter stands over two messages of a session.";
        "The unit's firmware uses a counter again, which breaks the session's encryption. Show this to its maker.";
    IDENTITY = "meet.identity", Error, "Core Spec 6.2.3.1, 11.1";
        "The vendor and product ID that the firmware reports are those of its certificate and declaration.";
        "Firmware and certificate are of different products. Check which firmware was flashed.";
    SERIAL = "meet.serial", Error, "Core Spec 11.1.5";
        "The unit reports the serial number that the book has for its code.";
        "The factory record or the label is another unit's. Compare both.";
    LABEL = "meet.label", Error, "Core Spec 5.1.3";
        "Label and certificate are of one unit.";
        "The label was put on another unit, or the board was exchanged. Put both units aside and find the other label.";
    FIRMWARE = "meet.firmware", Error, "Core Spec 11.1.5";
        "The unit reports the firmware version that the station recorded.";
        "The unit was flashed with another firmware after its station, or before. Flash it again, or correct what the station records.";
    REQUEST = "meet.request", Error, "Core Spec 11.18.6.5, RFC 2986";
        "The unit makes a signed request for a fresh key, sends back the nonce, and signs both with the DAC's key.";
        "The unit can't join a home that does this check. Show this to the firmware's maker.";
    LEFT_ARMED = "meet.left-armed", Error, "Core Spec 11.10.7.2";
        "The unit disarms its fail-safe when it is asked to.";
        "Switch the unit off and on, so that it is as it was. The fail-safe also ends by itself, after a minute or less.";
}
