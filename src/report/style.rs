//! The look of the page: a printed continuity sheet with a measuring tape laid on it. The
//! tape is the one bright thing; everything else is ink.
//!
//! Colour never speaks alone: each mark also has its own lane, its own hatching and its
//! word. Blue, vermilion, bluish green and yellow are the hues Okabe and Ito propose for
//! colour-blind readers ("Color Universal Design", from memory), darker or lighter here as
//! the ground asks. The tape itself is pale on a light page; what it says are its marks.

/// One colour of the page, on light and on dark ground.
pub(super) struct Colour {
    pub(super) name: &'static str,
    pub(super) light: &'static str,
    pub(super) dark: &'static str,
}

const fn colour(name: &'static str, light: &'static str, dark: &'static str) -> Colour {
    Colour { name, light, dark }
}

/// Every colour of the page. A test holds the pairs that meet against WCAG 2.2.
pub(super) const PALETTE: [Colour; 13] = [
    colour("page", "#f5f5f1", "#14171a"),
    colour("pane", "#e8e9e4", "#1f2429"),
    colour("ink", "#16181b", "#ebebe6"),
    colour("quiet", "#50555b", "#aab0b6"),
    colour("rule", "#7b8086", "#747c84"),
    colour("tape", "#f6c430", "#e2b22a"),
    colour("tape-ink", "#16181b", "#14171a"),
    colour("plate", "#0b5394", "#6db3f2"),
    colour("boom", "#b23a00", "#ff8a4c"),
    colour("patch", "#006a52", "#4fc9a0"),
    colour("on-mark", "#ffffff", "#14171a"),
    colour("stop", "#a32a00", "#ff9a73"),
    colour("attention", "#735000", "#ecc063"),
];

/// Returns the style sheet.
pub(super) fn sheet() -> String {
    let set = |pick: fn(&Colour) -> &str| {
        PALETTE.iter().map(|c| format!("--{}:{};", c.name, pick(c))).collect::<String>()
    };
    let (light, dark) = (set(|c| c.light), set(|c| c.dark));
    format!(
        ":root{{color-scheme:light dark;{light}}}\n\
         @media (prefers-color-scheme:dark){{:root{{{dark}}}}}\n{RULES}\
         @media print{{:root{{{light}--page:#ffffff}}{PRINT}}}\n"
    )
}

const RULES: &str = r#"
*{box-sizing:border-box}
body{margin:0;background:var(--page);color:var(--ink);font:16px/1.5 "Helvetica Neue",Helvetica,Arial,"Liberation Sans",sans-serif;font-variant-numeric:tabular-nums}
.sheet{max-width:1180px;margin:0 auto;padding:0 28px 64px}
h1,h2,h3,.big{font-family:"DIN Alternate","Bahnschrift","Roboto Condensed","Arial Narrow","Liberation Sans Narrow",Arial,sans-serif;font-stretch:condensed;font-weight:700;line-height:1.15}
h1{font-size:44px;margin:40px 0 4px;letter-spacing:-.01em;overflow-wrap:anywhere}
h2{font-size:25px;margin:56px 0 12px;padding-top:10px;border-top:3px solid var(--ink)}
h3{font-size:24px;margin:0;overflow-wrap:anywhere}
p{margin:6px 0;max-width:78ch}
a{color:var(--plate);text-underline-offset:3px}
a:focus-visible,.ruler:focus-visible{outline:3px solid var(--plate);outline-offset:3px}
.skip{position:absolute;left:-999px}
.skip:focus{left:12px;top:12px;background:var(--page);padding:6px 12px}
.quiet{color:var(--quiet)}
.big{font-size:25px;margin:22px 0 4px}
code{font:13px/1.4 ui-monospace,"SFMono-Regular",Consolas,"Liberation Mono",monospace;overflow-wrap:anywhere}
table{border-collapse:collapse;width:100%}
th,td{text-align:left;vertical-align:top;padding:3px 14px 3px 0;font-weight:400}
thead th{color:var(--quiet);font-size:13px;border-bottom:1px solid var(--rule)}
.num{text-align:right;white-space:nowrap}
.tally th,.tally td{border-bottom:1px solid var(--pane);vertical-align:middle}
.tally .num{width:3.5em;font-size:21px;font-weight:700}
.tally thead .num{font-size:13px;font-weight:400}
.tally th{width:15.5em;white-space:nowrap}
.tally .strip{padding:0;width:auto}
.tally svg{display:block;width:100%;height:auto}
.nil{color:var(--quiet)}
ol.first{padding-left:0;list-style:none;margin:0}
ol.first li{display:grid;grid-template-columns:17em 13em 1fr;gap:0 16px;padding:7px 0;border-bottom:1px solid var(--pane)}
.shot{margin:0 0 8px;padding:34px 0 10px;border-top:1px solid var(--rule);break-inside:avoid}
.shot:first-of-type{border-top:0;padding-top:8px}
.head{display:flex;flex-wrap:wrap;gap:0 22px;align-items:baseline;justify-content:space-between}
.verdict{font-weight:700;letter-spacing:.03em}
.verdict::before{content:"";display:inline-block;width:26px;height:0;border-top:4px solid currentColor;vertical-align:.28em;margin-right:10px}
.v-plate,.v-loop,.v-borrow,.v-still,.v-gather{color:var(--plate)}
.v-by-hand{color:var(--stop)}
.v-by-hand::before{border-top-style:dotted}
.v-undecided{color:var(--attention)}
.v-undecided::before{border-top-style:dashed}
.ruler{margin:14px 0 12px;overflow-x:auto}
.ruler svg{display:block;width:100%;min-width:900px;height:auto}
.sides{display:grid;grid-template-columns:minmax(0,1fr) minmax(0,1fr);gap:4px 40px}
.reasons{list-style:none;margin:4px 0;padding:0}
.reasons li{padding:5px 0 5px 92px;position:relative}
.reasons .sev{position:absolute;left:0;width:84px;font-weight:700;font-size:14px;line-height:24px}
.sev-stop{color:var(--stop)}.sev-attention{color:var(--attention)}.sev-note{color:var(--quiet)}
.figures{display:block;color:var(--quiet);font-size:13px}
dl{display:grid;grid-template-columns:7.2em 1fr;gap:3px 12px;margin:8px 0;font-size:15px}
dt{color:var(--quiet)}dd{margin:0;overflow-wrap:anywhere}
.faults{border-left:6px double var(--stop);padding-left:18px}
.faults h2{border-top:0;color:var(--stop)}
.faults li{margin:8px 0}
.lines{columns:2;column-gap:40px;list-style:none;padding:0;margin:8px 0;font-size:14px}
.lines li{break-inside:avoid;padding:1px 0;overflow-wrap:anywhere}
@media screen and (max-width:760px){.sheet{padding:0 14px 40px}.sides,ol.first li,ol.first li>*{display:block}.lines{columns:1}h1{font-size:32px}.tally th{width:auto;white-space:normal}.tally .strip{display:none}}
svg text{font:12px "Helvetica Neue",Helvetica,Arial,"Liberation Sans",sans-serif;fill:var(--ink)}
svg .lane{fill:var(--quiet);text-anchor:end}
svg .on{fill:var(--on-mark);text-anchor:middle}
svg .mid{text-anchor:middle}
svg .end{text-anchor:end}
svg .none{fill:var(--quiet);font-style:italic}
svg .num{font-size:11px;fill:var(--quiet)}
svg .tape{fill:var(--tape)}
svg .tick{stroke:var(--tape-ink);stroke-width:1.2;fill:none}
svg .tick-num{fill:var(--tape-ink);font-size:12px;font-weight:700}
svg .line{stroke:var(--ink);stroke-width:2;fill:none}
svg .hair{stroke:var(--rule);stroke-width:1;fill:none}
svg .dash{stroke:var(--rule);stroke-width:1;stroke-dasharray:4 3;fill:none}
svg .boom{fill:url(#hang);stroke:var(--boom);stroke-width:1.5}
svg .boom-guess{fill:url(#hang-thin);stroke:var(--boom);stroke-width:1;stroke-dasharray:4 3}
svg .plate{fill:var(--plate)}
svg .other{fill:none;stroke:var(--plate);stroke-width:2}
svg .unusable{fill:url(#cross);stroke:var(--ink);stroke-width:1}
svg .used{fill:var(--ink)}
svg .handle{fill:url(#slant);stroke:var(--ink);stroke-width:1}
svg .patch{fill:url(#weave);stroke:var(--patch);stroke-width:1.5}
svg .pane{fill:var(--pane)}
svg .path{stroke:var(--plate);stroke-width:2.5;fill:none;stroke-linejoin:round}
svg .dense{fill:url(#zig);stroke:var(--plate);stroke-width:1.5}
svg .ease{fill:none;stroke:var(--ink);stroke-width:1.5}
svg .s-boom{stroke:var(--boom);stroke-width:2}
svg .s-boom-thin{stroke:var(--boom);stroke-width:1}
svg .s-ink{stroke:var(--ink);stroke-width:1}
svg .s-patch{stroke:var(--patch);stroke-width:3}
svg .s-plate{stroke:var(--plate);stroke-width:1.5;fill:none}
svg .m-stop{fill:var(--stop)}
svg .m-look{fill:none;stroke:var(--attention);stroke-width:3}
svg .m-rest{fill:var(--rule)}
.defs{position:absolute;width:0;height:0}
"#;

/// Pictures and what picks shots.
pub(super) const VIEWS: &str = "\
.views{display:grid;grid-template-columns:repeat(auto-fit,minmax(300px,1fr));gap:18px 22px;margin:12px 0}\
figure{margin:0}figure svg,figure img{display:block;width:100%;height:auto;background:var(--pane)}\
figcaption{font-size:14px;color:var(--quiet);padding-top:4px}\
.o-boom{fill:none;stroke:#ff8a4c;stroke-width:2;vector-effect:non-scaling-stroke}\
.o-divider{fill:none;stroke:#f6c430;stroke-width:2.5;vector-effect:non-scaling-stroke}\
.o-under{fill:none;stroke:#14171a;stroke-width:5;vector-effect:non-scaling-stroke}\
.o-matte{fill:#ffffff;stroke:none}.o-ground{fill:#000000}\
.wipe{--at:50%}.wipe .pair{position:relative}\
.wipe .pair img+img{position:absolute;left:0;top:0;clip-path:inset(0 0 0 var(--at))}\
.wipe .pair::after{content:\"\";position:absolute;top:0;bottom:0;left:var(--at);border-left:2px solid var(--tape)}\
.wipe input{width:100%;margin:6px 0 0;accent-color:var(--plate)}\
#pick{margin:14px 0 6px;padding:12px 14px;background:var(--pane);font-size:15px}\
#pick .row{display:flex;flex-wrap:wrap;gap:8px 14px;align-items:center}\
#pick fieldset{border:0;margin:10px 0;padding:0;display:flex;flex-wrap:wrap;gap:4px 18px}\
#pick legend{float:left;color:var(--quiet);padding:0 14px 0 0}\
#pick input[type=search]{font:inherit;flex:1 1 14em;min-width:10em;padding:4px 8px}\
#pick select,#pick button{font:inherit;padding:4px 8px}\
#pick input,#pick select,#pick button{color:var(--ink);background:var(--page);border:1px solid var(--rule)}\
#pick [type=checkbox]{accent-color:var(--plate)}\
#picked{flex:1 1 12em;font-weight:700}\
#pick :focus-visible,summary:focus-visible,.wipe input:focus-visible{outline:3px solid var(--plate);outline-offset:2px}\
summary{cursor:pointer;color:var(--plate);padding:4px 0}\
.shot[hidden]{display:none}\
@media screen{.shot{content-visibility:auto;contain-intrinsic-size:auto 560px}}\
@media print{#pick,summary,.wipe input{display:none}.views{grid-template-columns:repeat(3,1fr)}}\n";

/// On paper the sheet is narrow, so the figures of a ruler are set larger against it.
const PRINT: &str = "*{print-color-adjust:exact;-webkit-print-color-adjust:exact}\
@page{margin:13mm}\
body{font-size:9.5pt}.sheet{max-width:none;padding:0}.skip{display:none}a{color:inherit}\
h1{font-size:26pt;margin-top:0}h2{font-size:15pt;margin-top:20pt}h3{font-size:14pt}\
.big{font-size:13pt;margin-top:8pt}dl,.figures,.lines,.quiet,table{font-size:8.5pt}\
.tally .num{font-size:11pt;width:3em}.tally th{width:14em}\
.tally th,.tally td{padding-top:0;padding-bottom:0}\
ol.first li{grid-template-columns:11em 13em 1fr;padding:3pt 0}\
.shot{padding:12pt 0 4pt}.sides{gap:2px 24px}dl{gap:1px 10px;grid-template-columns:6.4em 1fr}\
.reasons li{padding-left:66px}.reasons .sev{font-size:9pt}\
.ruler{overflow:visible;margin:8px 0}.ruler svg{min-width:0}\
svg text,svg .tick-num,svg .num{font-size:14px}.tally .tick-num{font-size:11px}\
h2,h3,.head{break-after:avoid}";

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance, W3C WCAG 2.2, definition "relative luminance".
    fn luminance(hex: &str) -> f64 {
        let channel = |at: usize| {
            let value = f64::from(u8::from_str_radix(&hex[at..at + 2], 16).expect("hex")) / 255.0;
            if value <= 0.04045 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
    }

    /// Contrast ratio, W3C WCAG 2.2, definition "contrast ratio".
    fn contrast(a: &str, b: &str) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    fn named(name: &str) -> &'static Colour {
        PALETTE.iter().find(|colour| colour.name == name).expect("in the palette")
    }

    #[test]
    fn the_formula_gives_the_published_ends() {
        // WCAG 2.2: ratios run from 1 to 21.
        assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
        assert!((contrast("#777777", "#777777") - 1.0).abs() < 1e-9);
    }

    #[test]
    fn text_meets_wcag_aa_and_marks_meet_non_text_contrast() {
        // WCAG 2.2: 1.4.3 asks 4.5 of text, 1.4.11 asks 3 of what a drawing needs.
        let text = [
            ("ink", "page"),
            ("ink", "pane"),
            ("quiet", "page"),
            ("quiet", "pane"),
            ("stop", "page"),
            ("attention", "page"),
            ("plate", "page"),
            ("tape-ink", "tape"),
            ("on-mark", "plate"),
            ("page", "ink"),
        ];
        let marks = [
            ("rule", "page"),
            ("rule", "pane"),
            ("boom", "page"),
            ("boom", "pane"),
            ("patch", "page"),
            ("patch", "pane"),
            ("plate", "pane"),
            ("stop", "pane"),
            ("attention", "pane"),
        ];
        let all = text.map(|pair| (pair, 4.5)).into_iter().chain(marks.map(|pair| (pair, 3.0)));
        for ((a, b), least) in all {
            let grounds = [named(b).light, if b == "page" { "#ffffff" } else { named(b).light }];
            for ground in grounds {
                let ratio = contrast(named(a).light, ground);
                assert!(ratio >= least, "light {a} on {b}: {ratio:.2}");
            }
            let ratio = contrast(named(a).dark, named(b).dark);
            assert!(ratio >= least, "dark {a} on {b}: {ratio:.2}");
        }
    }

    #[test]
    fn the_sheet_names_only_colours_that_exist() {
        let sheet = sheet();
        for used in sheet.split("var(--").skip(1) {
            let name = used.split(')').next().expect("closed");
            assert!(PALETTE.iter().any(|colour| colour.name == name), "{name}");
        }
    }
}
