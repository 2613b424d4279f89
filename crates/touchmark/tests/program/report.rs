//! `touchmark report` at a site that worked a little: words, JSON, pages, refusals.

use std::path::Path;

use at_site::engine::Engine;
use at_site::{Site, text};

use crate::{at_site, python};

on_both_engines! { a_reel_a_day_an_order_and_the_worst_hour }

fn a_reel_a_day_an_order_and_the_worst_hour(engine: &Engine) {
    let site = Site::on(engine, "a");
    let product = site.done("report", &["report", "--product", "Tern Vent"]);
    assert_eq!(product["yields"]["first_pass"]["all"], 0, "nothing yet: {product}");
    site.receive_reel("a");
    let order = site.dir.path().join("order.csv");
    site.done("order write", &["order", "write", "--reel", "A", "--out", text(&order)]);
    site.receive_delivery("a");
    let chips = site.simulate("a");
    let provision = ["provision", "--reel", "A", "--station", "S1", "--chips", &chips, "--units", "12"];
    site.done("provision", &provision);

    let (html, pdf) = (site.dir.path().join("r.html"), site.dir.path().join("r.pdf"));
    let told = site
        .done("report", &["report", "--reel", "A", "--html", text(&html), "--pdf", text(&pdf), "--paper", "letter"]);
    let first = &told["yields"]["first_pass"];
    assert_eq!((first["good"].as_u64(), first["all"].as_u64()), (Some(12), Some(12)));
    // Wilson, 12 of 12: 0.7575 (scipy.stats.binomtest(12, 12).proportion_ci(method="wilson")).
    let low = first["interval"]["low"].as_f64().expect("a number");
    assert!((low - 0.757_5).abs() < 1e-4, "{low}");
    assert_eq!((&told["test"], &told["stock"]["chips"][0]), (&true.into(), &400.into()));
    let account = site.reconcile("reconcile");
    assert_eq!(told["log"]["entries"], account["log"]["entries"]);
    let page = std::fs::read_to_string(&html).expect("a page");
    let root = told["log"]["root"].as_str().expect("a root");
    assert!(page.contains("size:letter") && page.contains(root) && page.contains("counter(pages)"));
    let octets = std::fs::read(&pdf).expect("a PDF");
    assert!(octets.starts_with(b"%PDF") && octets.windows(19).any(|w| w == b"/MediaBox[0 0 612 7"), "Letter");

    if let Some(interpreter) = python::interpreter() {
        let words = [root, "Tern Vent", "first-pass yield", "TEST"].map(Path::new);
        python::run(&interpreter, "pages.py", &[&[pdf.as_path(), Path::new("letter")], &words[..]].concat());
    }

    let worst = site.done("worst hour", &["report", "--last-week", "--worst-hour"]);
    assert!(worst["worst_hour"].is_null(), "nothing failed: {worst}");
    for typed in [&["--order", "A/1"][..], &["--order", "order.csv"], &["--product", "Tern Vent"], &["--station", "S1"]]
    {
        let told = site.done("report", &[&["report"], typed].concat());
        assert_eq!(told["yields"]["first_pass"]["all"], 12, "{typed:?}");
    }
    let before = site.done("report", &["report", "--day", "2020-02-29", "--zone", "-03:30"]);
    assert_eq!(before["yields"]["first_pass"]["all"], 0);
    assert_eq!(before["period_words"], "2020-02-29 00:00 to 2020-03-01 00:00 -03:30");

    for typed in [
        &["--reel", "Z"][..],
        &["--product", "Other"],
        &["--order", "nothing.csv"],
        &["--station", "S9"],
        &["--day", "yesterday"],
        &["--day", "2026-02-30"],
        &["--from", "2026-03-02", "--to", "2026-03-01"],
        &["--zone", "home"],
        &["--every", "0"],
        &["--every", "fortnight"],
        &["--reel", "A", "--product", "Tern Vent"],
        &["--day", "2026-03-02", "--last-week"],
    ] {
        let answer = site.call("refused", &[&["report"], typed].concat());
        assert_eq!(answer.exit, Some(2), "{typed:?}: {}", answer.said);
        assert!(answer.json["error"]["advice"].as_str().is_some_and(|a| !a.is_empty()), "{typed:?}: {}", answer.said);
    }
    // The past of the site, in a plan: twelve units are too few to learn from, and are told beside a given yield.
    let few = site.call("plan", &["plan", "--good", "100", "--reel", "A"]);
    assert_eq!(few.exit, Some(2), "{}", few.said);
    let plan = site.done("plan", &["plan", "--good", "100", "--yield", "0.95", "--reel", "A"]);
    assert_eq!((&plan["past"]["good"], &plan["past"]["lost"]), (&12.into(), &0.into()));
}
