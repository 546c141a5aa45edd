//! What goes wrong with a pile, from the readings to the first text: it names the fix that practice lists for that fault
//! first, and nothing in it costs an open run its hours.

use super::moments::{AIR, Tale, WARM, play, tale};

/// A fault, what Odile's first text about it has to say, and what none of her texts may.
struct Fault {
    tale: Tale,
    first: &'static str,
    never: &'static str,
}

const fn fault(first: &'static str, tale: Tale) -> Fault {
    Fault { tale, first, never: "!" }
}

const FAULTS: &[Fault] = &[
    fault(
        "Squeeze test. Wet: air, then chips.",
        tale(
            "too wet: a plateau, the core below the outer spot, the index high",
            100.0,
            &[
                ("k1", "0 60, 30 104, 999 104"),
                ("k4", "0 60, 30 108, 999 108"),
                ("m1", "0 70, 999 70"),
                ("a1", AIR),
            ],
        ),
    ),
    Fault {
        never: "in portions",
        ..fault(
            "If a handful crumbles: water it after the run.",
            tale(
                "too dry and very hot, with hours still to prove",
                76.0,
                &[
                    ("k1", "0 60, 24 153, 999 153"),
                    ("k4", "0 60, 24 150, 999 150"),
                    ("m1", "0 50, 30 44, 999 41"),
                    ("a1", AIR),
                ],
            ),
        )
    },
    Fault {
        never: "after the run",
        ..fault(
            "if it crumbles water it in portions",
            Tale {
                every_minutes: 30,
                ..tale(
                    "too dry: it cools and dries, and nothing is left to prove",
                    230.0,
                    &[
                        ("k1", "0 60, 24 152, 999 80"),
                        ("k4", "0 60, 30 149, 999 80"),
                        ("m1", "0 62, 24 62, 216 44, 999 44"),
                        ("a1", AIR),
                    ],
                )
            },
        )
    },
    Fault {
        never: "Run the air longer",
        ..fault(
            "shorten the air",
            tale(
                "too much air: the base stays cold while the rest is warm",
                120.0,
                &[("k1", "0 60, 20 142, 999 142"), ("k2", "0 60, 30 112, 999 112"), ("a1", AIR)],
            ),
        )
    },
    fault(
        "blower off since 20:00, core 142 F. Look at timer, breaker, GFCI, belt.",
        Tale {
            built: ["09:00", "19:00"],
            off: &[(59.5, 66.0)],
            ..tale(
                "the blower stands still",
                70.0,
                &[("k1", WARM), ("k4", "0 60, 30 140, 999 140"), ("b1", ""), ("a1", AIR)],
            )
        },
    ),
    fault(
        "timer",
        Tale {
            on: &[(50.0, 70.0)],
            ..tale(
                "the blower does not pause: all spots fall together",
                70.0,
                &[
                    ("k1", "0 60, 24 150, 50 150, 70 136, 999 136"),
                    ("k4", "0 60, 24 148, 50 148, 70 135, 999 135"),
                    ("b1", ""),
                    ("a1", AIR),
                ],
            )
        },
    ),
    fault(
        "Add cover there, cut blower on-time by 1/3.",
        tale(
            "rain on an open pile: the outer spot drops within hours, the core holds",
            80.0,
            &[("k1", WARM), ("k4", "0 60, 24 140, 65 140, 69 131.5, 999 131.5"), ("a1", AIR)],
        ),
    ),
    Fault {
        never: "cover there",
        ..fault(
            "Poke air holes into it",
            tale(
                "a cold core while the outer spot is done",
                120.0,
                &[("k1", "0 60, 30 106, 999 106"), ("k4", "0 60, 20 142, 999 142"), ("a1", AIR)],
            ),
        )
    },
    fault(
        "Add 6-12 in cover there and shorten the air, or remix outside to inside.",
        tale(
            "a cold skin while the core is done",
            120.0,
            &[("k1", "0 60, 20 152, 999 152"), ("k4", "0 60, 30 118, 999 118"), ("a1", AIR)],
        ),
    ),
    fault(
        "Run the air longer or more often; water it if it is dry.",
        tale(
            "a hot spot, and all others far above 131 F",
            36.0,
            &[("k1", "0 60, 24 142, 34 165, 999 165"), ("k4", "0 60, 24 142, 999 142"), ("a1", AIR)],
        ),
    ),
    Fault {
        never: "Run the air longer",
        ..fault(
            "No more air: a spot is near 131 F. Wet the hot one if dry.",
            tale(
                "a hot spot, and another in its run near 131 F",
                36.0,
                &[("k1", "0 60, 24 142, 34 165, 999 165"), ("k4", "0 60, 24 134, 999 134.5"), ("a1", AIR)],
            ),
        )
    },
];

#[tokio::test(flavor = "multi_thread")]
async fn the_first_advice_for_each_fault_is_its_fix_and_costs_no_open_run_its_hours() {
    for Fault { tale, first, never } in FAULTS {
        let texts = play(tale, tale.built[0]).await;
        // That a part is proven is no advice.
        let of_faults: Vec<&String> = texts
            .iter()
            .filter(|text| text.starts_with("Odile: 2026-07 ") && !text.contains(" qualified "))
            .collect();
        let said = of_faults.first().unwrap_or_else(|| panic!("{}: nobody is told: {texts:#?}", tale.name));
        assert!(said.contains(first), "{}: {of_faults:#?}", tale.name);
        assert!(!of_faults.iter().any(|text| text.contains(never)), "{}: {of_faults:#?}", tale.name);
    }
}
