//! The usual questions about what comes from outside, and what was answered. Each is asked once and kept in the pile's log.

use crate::model::entry::Event;

/// Was there any of it?
#[derive(Clone, Copy, Debug)]
pub struct Question {
    /// Name of the figure in the entry.
    pub key: &'static str,
    pub name: &'static str,
    /// What the record adds to a yes. Clauses: from memory, but that of sludge.
    pub if_yes: &'static str,
}

pub const QUESTIONS: [Question; 4] = [
    Question {
        key: "herbicide",
        name: "persistent herbicide",
        if_yes: "Such a herbicide survives composting: nothing of this pile goes onto a bed before a pot test with beans is \
                 passed.",
    },
    Question {
        key: "glossy_paper",
        name: "glossy or coloured paper",
        if_yes: "Paper with glossy or coloured print is no allowed feedstock (7 CFR 205.601(c)): ask the certifier before \
                 this pile is used.",
    },
    Question {
        key: "sewage_sludge",
        name: "sewage sludge",
        if_yes: "Sewage sludge is prohibited (7 CFR 205.105(g)): this pile can't be used on organic land.",
    },
    Question {
        key: "treated_wood",
        name: "treated wood",
        if_yes: "Treated, painted or glued wood is no allowed feedstock: ask the certifier before this pile is used.",
    },
];

const WORDS: [&str; 3] = ["no", "yes", "unknown"];

/// The answers of an entry, in the order of the questions.
pub fn answers(event: &Event) -> Option<[Option<&str>; 4]> {
    let Event::Asked { herbicide, glossy_paper, sewage_sludge, treated_wood } = event else { return None };
    Some([herbicide, glossy_paper, sewage_sludge, treated_wood].map(Option::as_deref))
}

/// What is wrong with an entry of answers.
pub fn check(event: &Event) -> Result<(), String> {
    let Some(answers) = answers(event) else { return Ok(()) };
    if answers.iter().all(Option::is_none) {
        let keys = QUESTIONS.map(|question| question.key).join(", ");
        return Err(format!("answer at least one of {keys}, with {}", WORDS.join(", ")));
    }
    let wrong = QUESTIONS.iter().zip(answers).find(|(_, answer)| answer.is_some_and(|a| !WORDS.contains(&a)));
    wrong.map_or(Ok(()), |(question, _)| Err(format!("`{}` is one of {}", question.key, WORDS.join(", "))))
}

/// `persistent herbicide: no; sewage sludge: not known`.
pub fn in_words(event: &Event) -> String {
    let said = QUESTIONS.iter().zip(answers(event).unwrap_or_default()).filter_map(|(question, answer)| {
        let answer = answer?;
        Some(format!("{}: {}", question.name, if answer == "unknown" { "not known" } else { answer }))
    });
    said.collect::<Vec<_>>().join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(words: [Option<&str>; 4]) -> Event {
        let [herbicide, glossy_paper, sewage_sludge, treated_wood] =
            words.map(|word| word.map(str::to_owned));
        Event::Asked { herbicide, glossy_paper, sewage_sludge, treated_wood }
    }

    #[test]
    fn answers_are_words_and_at_least_one() {
        for (words, wrong, said) in [
            (
                [Some("no"), None, Some("unknown"), None],
                None,
                "persistent herbicide: no; sewage sludge: not known",
            ),
            ([None, None, None, Some("yes")], None, "treated wood: yes"),
            ([None; 4], Some("answer at least one of herbicide, glossy_paper"), ""),
            (
                [None, Some("maybe"), None, None],
                Some("`glossy_paper` is one of no, yes, unknown"),
                "glossy or coloured paper: maybe",
            ),
        ] {
            let event = asked(words);
            match (check(&event), wrong) {
                (Ok(()), None) => {}
                (Err(text), Some(wanted)) => assert!(text.contains(wanted), "{text}"),
                (found, wanted) => panic!("{words:?}: {found:?}, not {wanted:?}"),
            }
            assert_eq!(in_words(&event), said);
        }
    }
}
