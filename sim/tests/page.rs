//! The page of a replay in a browser: what a person sees, points at, clicks and types.
//!
//! Chromium runs without a window and prints the page as it is in the end. What a person does is done by a few lines of
//! script behind the page's own: they look for what lies at a place of the picture, as a pointer would, and send it the
//! same events. Without Chromium nothing is tried, which is said aloud; where `STEPCHAIN_BROWSER=required` is set, as the
//! checks of every change do, that is a failure.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use embedded_hal::spi::SpiDevice;
use serde_json::Value;
use stepchain::map::RegisterMap;
use stepchain::reference::Latched;
use stepchain_sim::chain::VirtualChain;

/// A recording of two devices with two answers that are not theirs.
fn recording(name: &str) -> PathBuf {
    let chain = VirtualChain::new(&Latched::LAYOUT, 2).unwrap();
    let mut rows = String::from("time_s,frame,mosi,miso\n");
    let mut number = 0;
    let mut send = |words: [[u8; 2]; 2], turned: u8| {
        let mut bytes = words.concat();
        let (time_s, mosi) = (chain.now_ns() as f64 * 1e-9, hex(&bytes));
        chain.spi().transfer_in_place(&mut bytes).unwrap();
        bytes[3] ^= turned;
        writeln!(rows, "{time_s:.9},{number},{mosi},{}", hex(&bytes)).unwrap();
        number += 1;
    };
    let filler = [0x7E, 0x7E];
    // Device 1 is sent first. Velocities in fiftieths of a step/s: 100 up, and 80 down.
    send([[0xB0, 0x00], [0xB4, 0x00]], 0);
    send([[0x0F, 0xA0], [0x13, 0x88]], 0);
    for round in 0..30 {
        chain.advance_ns(50_000_000);
        send([filler, [0xE0, 0x00]], 0);
        // In the tenth and the twentieth answer a bit is turned over.
        send([filler, filler], if matches!(round, 10 | 20) { 0x02 } else { 0 });
        if round == 15 {
            // A stop with the profile ramp for device 0.
            send([filler, [0x39, 0x18]], 0);
        }
    }
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    std::fs::write(&path, rows).unwrap();
    path
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The page of a replay, in a directory of its own.
fn page(name: &str) -> PathBuf {
    let out = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let ran = Command::new(env!("CARGO_BIN_EXE_stepchain"))
        .args(["replay", recording(&format!("{name}.csv")).to_str().unwrap(), "--map", "latched", "--from-power-up"])
        .args(["--strict", "--time-tolerance", "0.0001", "--force", "--out", out.to_str().unwrap()])
        .output()
        .unwrap();
    assert_eq!(ran.status.code(), Some(1), "{}", String::from_utf8_lossy(&ran.stderr));
    out.join("report.html")
}

fn browser() -> Option<&'static str> {
    let found = ["chromium", "chromium-browser", "google-chrome"]
        .into_iter()
        .find(|name| Command::new(name).arg("--version").output().is_ok_and(|output| output.status.success()));
    if found.is_none() {
        let required = std::env::var("STEPCHAIN_BROWSER").is_ok_and(|value| value == "required");
        assert!(!required, "found no browser, expected Debian's package chromium");
        eprintln!("SKIPPED: no browser here; install Debian's package chromium to try the page in one");
    }
    found
}

/// What the script says that runs behind the page's own; `None` without a browser.
fn seen(name: &str, script: &str) -> Option<Value> {
    let browser = browser()?;
    let page = page(name);
    let html = std::fs::read_to_string(&page).unwrap();
    assert!(!html.contains("http://") || html.matches("http://").count() == html.matches("http://www.w3.org").count());
    assert!(
        !html.contains("https://") && !html.contains("<link") && !html.contains("src="),
        "the page needs nothing else"
    );
    let hook = format!(
        "<pre id=\"seen\"></pre><script>
const at = mark => {{
  mark.scrollIntoView({{ block: 'center' }});
  const box = mark.querySelector('.target').getBoundingClientRect();
  const hit = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
  return hit && hit.closest('.mark');
}};
const type = key => document.activeElement.dispatchEvent(new KeyboardEvent('keydown', {{ key, bubbles: true }}));
const all = kind => [...document.querySelectorAll('.mark.' + kind)];
const detail_text = () => document.getElementById('detail').textContent;
let seen;
try {{ seen = (() => {{ {script} }})(); }} catch (error) {{ seen = {{ error: String(error) }}; }}
document.getElementById('seen').textContent = JSON.stringify(seen);
</script></body>"
    );
    let hooked = page.with_file_name("hooked.html");
    std::fs::write(&hooked, html.replace("</body>", &hook)).unwrap();
    let profile = page.with_file_name("profile");
    let output = Command::new(browser)
        .args(["--headless", "--no-sandbox", "--disable-gpu", "--window-size=1200,900", "--dump-dom"])
        .arg(format!("--user-data-dir={}", profile.display()))
        .arg(format!("file://{}", hooked.display()))
        .output()
        .unwrap();
    let dom = String::from_utf8_lossy(&output.stdout);
    let (_, rest) = dom.split_once("<pre id=\"seen\">").unwrap_or_else(|| panic!("the browser gave no page: {dom}"));
    let (text, _) = rest.split_once("</pre>").unwrap();
    let text = text.replace("&quot;", "\"").replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&");
    let value: Value = serde_json::from_str(&text).expect(&text);
    assert!(value["error"].is_null(), "{value}");
    Some(value)
}

#[test]
fn the_page_shows_commands_motion_and_divergences_where_a_pointer_finds_them() {
    let script = "
        const lanes = [...document.querySelectorAll('.lane svg')];
        const curves = lanes.map(lane => [...lane.querySelectorAll('path[fill=none]')].map(p => p.getBBox().height));
        const divergences = all('divergence');
        return {
          title: document.querySelector('h1').textContent,
          names: lanes.map(lane => lane.getAttribute('aria-label')),
          curves,
          commands: all('command').length,
          divergences: divergences.length,
          hit: divergences.every(mark => at(mark) === mark) && all('command').every(mark => at(mark) === mark),
          rows: document.querySelectorAll('#divergences tr').length - 1,
        };";
    let Some(seen) = seen("page-shows", script) else { return };
    assert!(seen["title"].as_str().unwrap().starts_with("Replay of "), "{seen}");
    assert_eq!(seen["names"], serde_json::json!(["device 0", "device 1"]));
    assert_eq!((&seen["divergences"], &seen["rows"]), (&2.into(), &2.into()), "{seen}");
    assert!(seen["commands"].as_u64().unwrap() >= 30, "{seen}");
    assert_eq!(seen["hit"], true, "{seen}");
    for curve in seen["curves"].as_array().unwrap().iter().flat_map(|lane| lane.as_array().unwrap()) {
        assert!(curve.as_f64().unwrap() > 40.0, "a curve that fills its panel: {seen}");
    }
}

#[test]
fn pointing_shows_details_and_a_click_keeps_them_until_escape() {
    let script = "
        const rest = detail_text();
        const [first, second] = all('divergence');
        const told = [];
        at(first).dispatchEvent(new MouseEvent('mouseenter'));
        told.push(detail_text());
        first.dispatchEvent(new MouseEvent('mouseleave'));
        const after = detail_text() === rest;
        at(second).dispatchEvent(new MouseEvent('click', { bubbles: true }));
        first.dispatchEvent(new MouseEvent('mouseenter'));
        told.push(detail_text());
        const kept = document.querySelectorAll('.mark.chosen').length;
        type('Escape');
        return { told, after, kept, gone: detail_text() === rest, pressed: second.getAttribute('aria-pressed') };";
    let Some(seen) = seen("page-points", script) else { return };
    let told: Vec<_> = seen["told"].as_array().unwrap().iter().map(|text| text.as_str().unwrap()).collect();
    assert!(told[0].contains("peek status") && told[0].contains("captured target reached"), "{seen}");
    assert!(told[1].contains("came the other way") && told[0] != told[1], "{seen}");
    assert_eq!((&seen["after"], &seen["kept"], &seen["gone"]), (&true.into(), &1.into(), &true.into()), "{seen}");
    assert_eq!(seen["pressed"], "false");
}

#[test]
fn the_keyboard_goes_from_mark_to_mark_and_a_row_leads_to_its_mark() {
    let script = "
        const enterable = document.querySelectorAll('.mark[tabindex=\"0\"]').length;
        document.querySelector('.mark[tabindex=\"0\"]').focus();
        const times = [];
        for (let i = 0; i < 4; i++) { times.push(+document.activeElement.dataset.time); type('ArrowRight'); }
        type('End');
        const last = document.activeElement.dataset.lane;
        type('Home');
        type('Enter');
        const kept = detail_text();
        type('ArrowRight');
        const moved = detail_text();
        document.querySelectorAll('button.jump')[1].click();
        const chosen = document.querySelector('.mark.chosen');
        return { enterable, times, last, kept, moved, jumped: chosen === all('divergence')[1],
          focused: document.activeElement === chosen };";
    let Some(seen) = seen("page-keys", script) else { return };
    assert_eq!(seen["enterable"], 1, "one stop for the key Tab: {seen}");
    let times: Vec<_> = seen["times"].as_array().unwrap().iter().map(|time| time.as_f64().unwrap()).collect();
    assert!(times.windows(2).all(|pair| pair[0] <= pair[1]) && times[0] < times[3], "{seen}");
    assert_eq!(seen["last"], "1");
    assert!(seen["kept"].as_str().unwrap().contains("move velocity 100 steps/s"), "{seen}");
    assert_ne!(seen["kept"], seen["moved"]);
    assert_eq!((&seen["jumped"], &seen["focused"]), (&true.into(), &true.into()), "{seen}");
}
