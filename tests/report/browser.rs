//! The page in a browser without a screen (Chromium, from the distribution): it opens, picks
//! and orders, says nothing in the console, and asks the network for nothing.

use super::invented::{every_verdict, hostile, many};
use super::outside;
use super::seen::looks;
use platesmith::findings::Findings;
use platesmith::report::html;
use std::path::Path;
use std::process::Command;

const BROWSERS: [&str; 2] = ["chromium", "chromium-browser"];

/// What is done on the page after it opened; leaves what it saw in `#seen`.
const PROBE: &str = r#"<script>
addEventListener("load", () => {
  const seen = {};
  const shown = () => document.querySelectorAll("article.shot:not([hidden])").length;
  const first = () => document.querySelector("article.shot").id;
  const form = document.getElementById("pick");
  const say = (name) => { form.elements[name].dispatchEvent(new Event("input", { bubbles: true })); };
  const settle = (name) => { form.elements[name].dispatchEvent(new Event("change", { bubbles: true })); };
  seen.form = !form.hidden;
  seen.all = shown();
  form.elements.find.value = "camera pans"; say("find");
  seen.found = shown();
  seen.said = document.getElementById("picked").textContent;
  form.elements.find.value = ""; say("find");
  form.querySelector("[value=by-hand]").click();
  seen.withoutByHand = shown();
  form.querySelector("[value=by-hand]").click();
  form.elements.waiting.click();
  seen.waiting = shown();
  form.elements.waiting.click();
  form.elements.order.value = "urgent"; settle("order");
  seen.urgent = document.querySelector("article.shot").dataset.verdict;
  form.elements.order.value = "cut"; settle("order");
  seen.cut = first();
  document.getElementById("open-all").click();
  seen.open = document.querySelectorAll("details[open]").length;
  const slider = document.querySelector(".wipe input");
  if (slider) {
    slider.value = 20; slider.dispatchEvent(new Event("input", { bubbles: true }));
    seen.wipe = slider.parentElement.style.getPropertyValue("--at");
  }
  seen.broken = Array.from(document.images).filter((i) => i.complete && i.naturalWidth === 0).length;
  seen.pictures = document.images.length;
  // What is off screen is not laid out; names are worked out for what is.
  document.head.insertAdjacentHTML("beforeend", "<style>.shot{content-visibility:visible!important}</style>");
  document.body.offsetHeight;
  const named = (e) => e.computedName ?? "?";
  const reached = document.querySelectorAll("a[href],input,select,button,summary,[tabindex]");
  seen.who = Array.from(reached).filter((e) => named(e).trim() === "").map((e) => e.outerHTML.slice(0, 90));
  seen.nameless = seen.who.length;
  seen.namelessPictures = Array.from(document.querySelectorAll("img,svg[role=img]")).filter((e) => named(e).trim() === "").length;
  const levels = Array.from(document.querySelectorAll("h1,h2,h3"), (h) => Number(h.tagName[1]));
  seen.skipped = levels.filter((level, at) => at > 0 && level > levels[at - 1] + 1).length;
  const note = document.createElement("pre");
  note.id = "seen"; note.textContent = JSON.stringify(seen);
  document.body.append(note);
});
</script></body>"#;

/// What the probe saw, what the console said, and which addresses were asked for.
struct Visit {
    seen: serde_json::Value,
    console: Vec<String>,
    asked: Vec<String>,
}

fn visit(findings: &Findings) -> Option<Visit> {
    let runs = |name: &&str| {
        let asked = Command::new(name).arg("--version").output();
        asked.is_ok_and(|run| run.status.success())
    };
    let Some(browser) = BROWSERS.into_iter().find(runs) else {
        outside::skipped(
            "no Chromium, the page is not opened; scripts/setup --browser installs it",
        );
        return None;
    };
    let folder = tempfile::tempdir().expect("room");
    let page = html::page(findings, &looks(findings, (320, 180))).replace("</body>", PROBE);
    let file = folder.path().join("report.html");
    std::fs::write(&file, page).expect("written");
    let net = folder.path().join("net.json");
    let run = Command::new(browser)
        .args(["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-quic"])
        .args(["--disable-background-networking", "--disable-component-update", "--disable-sync"])
        .args(["--enable-blink-features=ComputedAccessibilityInfo", "--enable-logging=stderr"])
        .arg(format!("--user-data-dir={}", folder.path().join("profile").display()))
        .arg(format!("--log-net-log={}", net.display()))
        .args(["--virtual-time-budget=4000", "--dump-dom"])
        .arg(format!("file://{}", file.display()))
        .output()
        .expect("runs");
    let dom = String::from_utf8_lossy(&run.stdout).to_string();
    let (_, seen) = dom.split_once("<pre id=\"seen\">").unwrap_or_else(|| panic!("{dom:.2000}"));
    let seen = seen.split_once("</pre>").expect("closed").0.replace("&amp;", "&");
    let errors = String::from_utf8_lossy(&run.stderr).to_string();
    let console =
        errors.lines().filter(|line| line.contains("CONSOLE")).map(String::from).collect();
    Some(Visit { seen: serde_json::from_str(&seen).expect("JSON"), console, asked: asked(&net) })
}

/// Addresses outside that the page asked for; those the browser asks for on its own account
/// carry no page of ours as their origin.
fn asked(net: &Path) -> Vec<String> {
    let text = std::fs::read_to_string(net).unwrap_or_default();
    let ours = text.lines().filter(|line| {
        line.contains("\"initiator\":\"file://") || line.contains("\"initiator\":\"null\"")
    });
    ours.filter(|line| line.contains("\"url\":\"http")).map(String::from).collect()
}

#[test]
fn the_page_opens_picks_and_orders_in_a_browser() {
    let Some(visit) = visit(&every_verdict()) else { return };
    let seen = &visit.seen;
    assert_eq!(visit.console, Vec::<String>::new(), "the console is silent");
    assert_eq!(visit.asked, Vec::<String>::new(), "nothing is asked for");
    assert_eq!(seen["form"], true);
    assert_eq!(seen["all"], 7);
    assert_eq!(seen["found"], 1, "one shot has a camera that pans");
    assert_eq!(seen["said"], "1 of 7 shots shown");
    assert_eq!(seen["withoutByHand"], 6);
    assert_eq!(seen["waiting"], 3);
    assert_eq!(seen["urgent"], "undecided");
    assert_eq!(seen["cut"], "use-0");
    assert_eq!(seen["open"], 7);
    assert_eq!(seen["wipe"], "20%");
    assert_eq!(seen["broken"], 0);
    assert!(seen["pictures"].as_u64() > Some(10), "{seen}");
}

/// Names and roles as the browser works them out for a screen reader (WCAG 2.2, 1.1.1, 1.3.1
/// and 4.1.2).
#[test]
fn whatever_can_be_reached_has_a_name() {
    for findings in [every_verdict(), hostile()] {
        let Some(visit) = visit(&findings) else { return };
        assert_eq!(visit.seen["nameless"], 0, "{}", visit.seen);
        assert_eq!(visit.seen["namelessPictures"], 0, "{}", visit.seen);
        assert_eq!(visit.seen["skipped"], 0, "headings go down one step at a time");
        assert_eq!(visit.console, Vec::<String>::new());
    }
}

#[test]
fn a_page_of_five_hundred_shots_with_pictures_can_be_mailed() {
    let findings = many(500);
    let page = html::page(&findings, &looks(&findings, (220, 124)));
    assert!(page.len() < 25_000_000, "{} bytes", page.len());
}
