//! Figures with their units and dates stay on one line: nobody reads "72" at the end of a line and "h" below it.
//!
//! It is done once, on the finished page, so that no page can forget it. Only spaces of the text are touched; what is
//! shown as it was written, and what is drawn, stays to the byte.

const NO_BREAK: char = '\u{a0}';

/// Elements whose text is left alone: it is drawn, code, or goes back to the server.
const AS_WRITTEN: [&str; 5] = ["svg", "pre", "code", "textarea", "select"];

const UNITS: [&str; 38] = [
    "h", "min", "s", "ms", "day", "days", "week", "weeks", "month", "months", "hour", "hours", "minute",
    "minutes", "°F", "°C", "F", "C", "%", "W", "V", "in", "ft", "inch", "inches", "lb", "pounds", "gallon",
    "gallons", "litres", "yd3", "cubic", "kB", "MB", "GB", "times", "degrees", "buckets",
];
/// What is longer is no clause, and would not fit on a phone.
const CLAUSE_CHARS_MAX: usize = 20;
const DAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
const MONTHS: [&str; 12] =
    ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

/// A page whose figures and dates do not break.
pub(super) fn unbroken(page: &str) -> String {
    let mut out = String::with_capacity(page.len() + page.len() / 32);
    let mut rest = page;
    while let Some(tag) = rest.find('<') {
        text(&rest[..tag], &mut out);
        rest = &rest[tag..];
        let end =
            element_as_written(rest).or_else(|| rest.find('>').map(|end| end + 1)).unwrap_or(rest.len());
        out.push_str(&rest[..end]);
        rest = &rest[end..];
    }
    text(rest, &mut out);
    out
}

/// Length of the element that begins here, if it is one of those that are left alone.
fn element_as_written(rest: &str) -> Option<usize> {
    let name = AS_WRITTEN.iter().find(|name| {
        let after = rest[1..].strip_prefix(**name);
        after.is_some_and(|after| after.starts_with(['>', ' ']))
    })?;
    rest.find(&format!("</{name}"))
}

/// Words one after the other; those that belong together are a run.
fn text(text: &str, out: &mut String) {
    let words: Vec<&str> = text.split(' ').collect();
    let mut begin = 0;
    for n in 0..words.len() {
        if words.get(n + 1).is_some_and(|next| belong(&words[begin..=n], next, words.get(n + 2))) {
            continue;
        }
        if begin > 0 {
            out.push(' ');
        }
        run(&words[begin..=n], out);
        begin = n + 1;
    }
}

/// A date such as 2026-05-04 and a clause such as 112.54(b)(2) would break inside, where no space stands.
fn run(words: &[&str], out: &mut String) {
    let breaks_inside = |word: &&str| is_iso_date(bare(word)) || (*word == "CFR" && words.len() > 2);
    if words.iter().any(breaks_inside) {
        out.push_str("<span class=\"whole\">");
        out.push_str(&words.join(" "));
        out.push_str("</span>");
        return;
    }
    for (n, word) in words.iter().enumerate() {
        if n > 0 {
            out.push(NO_BREAK);
        }
        out.push_str(word);
    }
}

/// Whether a word goes with those before it; the one after it tells `2 h 30 min` from `2 h 30 probes`.
fn belong(run: &[&str], next: &str, then: Option<&&str>) -> bool {
    let Some((last, before)) = run.split_last() else { return false };
    let behind_figure = before.last().is_some_and(|before| is_figure(before));
    let is_unit = |word: &str| UNITS.contains(&word);
    let (last_bare, next_bare) = (last.trim_start_matches('('), bare(next));
    (is_figure(last) && is_unit(next_bare))
        || (behind_figure && is_unit(last) && next_bare == "ago")
        || (behind_figure && is_unit(last) && is_figure(next) && then.is_some_and(|then| is_unit(bare(then))))
        || (behind_figure && *last == "cubic" && matches!(next_bare, "yards" | "yard" | "feet"))
        || (DAYS.contains(&last_bare) && is_figure(next))
        || (is_figure(last) && MONTHS.contains(&next_bare))
        || (behind_figure && MONTHS.contains(&last.trim_end_matches(',')) && is_figure(next_bare))
        || (matches!(*last, "No." | "no.") && is_figure(next_bare))
        || (is_iso_date(last_bare) && next_bare.contains(':') && is_figure(next_bare))
        || (before.last().is_some_and(|before| is_iso_date(before)) && next.starts_with(['-', '+']))
        || (is_figure(last) && next == "CFR")
        || (*last == "CFR"
            && next.starts_with(|c: char| c.is_ascii_digit())
            && next.len() <= CLAUSE_CHARS_MAX)
}

/// A word without what stands before and behind it in a sentence.
fn bare(word: &str) -> &str {
    word.trim_start_matches('(').trim_end_matches(['.', ',', ';', ':', ')', '?'])
}

/// `72`, `48.5`, `1,200`, `08:50`, `-4`; also the last one of `(19 to 30)`. Not one that ends a part of a sentence.
fn is_figure(word: &str) -> bool {
    let digits = word.trim_start_matches('(').trim_end_matches(')').trim_start_matches(['-', '+']);
    digits.starts_with(|c: char| c.is_ascii_digit())
        && digits.ends_with(|c: char| c.is_ascii_digit())
        && digits.bytes().all(|byte| byte.is_ascii_digit() || b".,:".contains(&byte))
}

fn is_iso_date(word: &str) -> bool {
    let bytes = word.as_bytes();
    bytes.len() == 10
        && bytes
            .iter()
            .enumerate()
            .all(|(n, byte)| if matches!(n, 4 | 7) { *byte == b'-' } else { byte.is_ascii_digit() })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `~` stands for a space at which no line breaks.
    #[test]
    fn figures_and_dates_stay_whole() {
        for (page, wanted) in [
            ("<p>41 h of 72 h proven</p>", "<p>41~h of 72~h proven</p>"),
            ("48 h 30 min of 72 h proven, 2 of 5 turns", "48~h~30~min of 72~h proven, 2 of 5 turns"),
            ("for 2 h 30 probes", "for 2~h 30 probes"),
            ("said nothing for 35 min. Look", "said nothing for 35~min. Look"),
            ("15.7 °C, 5 min ago", "15.7~°C, 5~min~ago"),
            ("on Thu 23 Apr, 08:50. The last", "on Thu~23~Apr,~08:50. The last"),
            ("built 19 Apr 2026, curing", "built 19~Apr~2026, curing"),
            ("In 2026, 5 min", "In 2026, 5~min"),
            ("May we? 3 of them", "May we? 3 of them"),
            ("25 (19 to 30) lb with water", "25 (19 to 30)~lb with water"),
            ("8.1 cubic yards, 1,434 pounds", "8.1~cubic~yards, 1,434~pounds"),
            ("in place of no. 45, No. 7", "in place of no.~45, No.~7"),
            (
                "<b>on 2026-04-23 23:25:00 -04:00;</b> it",
                "<b>on <span class=\"whole\">2026-04-23 23:25:00 -04:00;</span></b> it",
            ),
            ("by 7 CFR 205.203(c)(2).", "by <span class=\"whole\">7 CFR 205.203(c)(2).</span>"),
            ("the CFR is long, 7 CFR part", "the CFR is long, 7~CFR part"),
            (
                "<a title=\"2 h\" href=\"/x?a=1 h\">3 h</a> 4 h",
                "<a title=\"2 h\" href=\"/x?a=1 h\">3~h</a> 4~h",
            ),
            (
                "<pre class=\"card\"><span>2 h</span></pre>2 h",
                "<pre class=\"card\"><span>2 h</span></pre>2~h",
            ),
            (
                "<svg><text>1 May</text></svg><textarea>4 lb</textarea>",
                "<svg><text>1 May</text></svg><textarea>4 lb</textarea>",
            ),
            ("<prefix>2 h</prefix>", "<prefix>2~h</prefix>"),
            (" 2  h <", " 2  h <"),
            ("&lt;b&gt; 2 h &amp; <i", "&lt;b&gt; 2~h &amp; <i"),
            ("", ""),
        ] {
            assert_eq!(unbroken(page).replace(NO_BREAK, "~"), wanted, "{page}");
        }
    }
}
