//! Checks JSON Pointers (RFC 6901) and MQTT topics before anything is asked of them.

use crate::limits::TOPIC_BYTES_MAX;

/// Why a text is no JSON Pointer.
pub(super) fn fault(pointer: &str) -> Option<String> {
    if !pointer.is_empty() && !pointer.starts_with('/') {
        return Some(format!(
            "`{pointer}` is no JSON Pointer; begin with a slash: \"/{}\"",
            pointer.replace('.', "/")
        ));
    }
    let wrong = pointer.split('~').skip(1).any(|rest| !rest.starts_with(['0', '1']));
    wrong
        .then(|| format!("`{pointer}` has a lone `~`; in a JSON Pointer write `~0` for `~` and `~1` for `/`"))
}

/// Whether a step goes by position: the probe that is second today is first tomorrow.
pub(super) fn goes_by_position(pointer: &str) -> bool {
    pointer.split('/').skip(1).any(|step| !step.is_empty() && step.bytes().all(|byte| byte.is_ascii_digit()))
}

/// Why a text is no MQTT topic filter (MQTT 3.1.1 section 4.7).
pub(super) fn topic_fault(topic: &str) -> Option<String> {
    if topic.len() > TOPIC_BYTES_MAX {
        return Some(format!("is longer than {TOPIC_BYTES_MAX} bytes; no message has such a topic"));
    }
    if topic.contains('\0') {
        return Some("holds a zero byte; write the topic as the probe sends it".to_owned());
    }
    let levels: Vec<&str> = topic.split('/').collect();
    let last = levels.len().saturating_sub(1);
    for (i, level) in levels.iter().enumerate() {
        let part = level.len() > 1 && level.contains(['+', '#']);
        if part {
            return Some(format!(
                "`{level}`: `+` and `#` stand for a whole level, alone between two slashes"
            ));
        }
        if *level == "#" && i != last {
            return Some("`#` stands for all the rest and must be the last level".to_owned());
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pointers_and_topics_are_checked_by_their_standards() {
        for pointer in ["", "/a", "/a/b", "/bay 1~1core/t~0avg", "/", "/a//b"] {
            assert_eq!(fault(pointer), None, "{pointer}");
        }
        for pointer in ["a", "a.b", "/a~", "/a~2", "/~b~0"] {
            assert!(fault(pointer).is_some(), "{pointer}");
        }
        assert!(fault("DS18B20.Temperature").unwrap().contains("\"/DS18B20/Temperature\""));
        for topic in ["a", "a/+/b", "a/#", "#", "+", "/a", "a b/c"] {
            assert_eq!(topic_fault(topic), None, "{topic}");
        }
        for topic in ["a/b+", "a/#/b", "a#", "a\0"] {
            assert!(topic_fault(topic).is_some(), "{topic}");
        }
    }

    #[test]
    fn a_number_alone_is_a_position() {
        assert!(goes_by_position("/sensors/1/c"));
        assert!(goes_by_position("/0"));
        assert!(!goes_by_position("/temperature_1"));
        assert!(!goes_by_position("/DS18B20-1/Temperature"));
        assert!(!goes_by_position(""));
    }
}
