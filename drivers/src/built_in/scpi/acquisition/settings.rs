//! What the rig file says about a gated acquisition: its commands as templates, and how samples lie in its blocks.

use super::super::samples::SampleFormat;
use crate::built_in::link::Link;
use crate::built_in::link::template::Template;
use crate::built_in::settings::WantedIdentity;
use crate::built_in::text::State;
use plan_schema::written_table;

written_table! {
    /// A gated acquisition that takes lines of text and answers with blocks of definite length.
    pub struct AcquisitionSettings {
        /// How it is reached.
        pub link: Link,
        /// Who it has to be.
        pub identity: WantedIdentity = WantedIdentity::default(),
        /// The question for its identity; empty where it has none.
        pub identify: String = "*IDN?".to_owned(),
        /// The question for its error queue, asked after each setting; empty where it has none.
        pub error_query: String = "SYST:ERR?".to_owned(),
        /// Commands before all others, with {rate} and {frames}.
        pub prepare: Vec<Template> = Vec::new(),
        /// The command for samples per second, with {rate}.
        pub rate: Template,
        /// The question for samples per second.
        pub rate_query: Option<String>,
        /// The command for samples per channel in a block, with {frames}.
        pub frames: Template,
        /// The command for a channel, sent for each in order, with {input} and {v_peak}.
        pub channel: Template,
        /// The question for the range of a channel in V peak, with {input}. Samples are scaled by the range that was asked for:
        /// without this question an instrument that takes another one in silence is believed.
        pub range_query: Option<Template>,
        /// Commands when sampling starts.
        pub start: Vec<String> = Vec::new(),
        /// The command that begins a block.
        pub trigger: Option<String>,
        /// The question whether the block is complete.
        pub ready: Option<State>,
        /// The question for the block.
        pub fetch: String,
        /// The question for the index of the first sample of the block that was just fetched, counted from the start.
        pub index_query: Option<String>,
        /// The command that ends sampling.
        pub stop: Option<String>,
        /// How samples lie in a block.
        pub samples: SampleFormat,
    }
}

impl AcquisitionSettings {
    /// The question for the error queue, where there is one.
    pub(super) fn queue(&self) -> Option<&str> {
        Some(self.error_query.as_str()).filter(|q| !q.is_empty())
    }

    /// What is wrong, each with its remedy.
    pub(super) fn problems(&self) -> Vec<String> {
        let mut found = self.link.problems();
        self.prepare.iter().for_each(|p| found.extend(p.problems("prepare", &["rate", "frames"])));
        for (key, template, known, needed) in [
            ("rate", &self.rate, &["rate", "frames"][..], "rate"),
            ("frames", &self.frames, &["rate", "frames"][..], "frames"),
            ("channel", &self.channel, &["input", "v_peak"][..], "input"),
        ] {
            found.extend(template.problems(key, known));
            if !template.has_any(&[needed]) {
                found
                    .push(format!("settings.{key}: the command has no place for it; put {{{needed}}} in it"));
            }
        }
        found.extend(self.range_query.iter().flat_map(|q| q.problems("range_query", &["input"])));
        found.extend(self.samples.problems());
        found
    }
}
