//! The renders of a plan as a job for a farm: an Open Job Description template (specification
//! `2023-09`, "Template Schemas"), one task for each shot.
//!
//! Names and paths never meet a shell: commands are lists of words, and every path and every
//! free text is a parameter. Paths are parameters of the type PATH, so a farm may map them to
//! where its workers see them.

use crate::error::Faults;
use crate::review::{Plan, Word};
use serde_json::{Map, Value, json};

/// What stays the same in every template.
const TEMPLATE: &str = include_str!("../adapters/farm/template.json");

/// Most values a task parameter may list. Open Job Description 2023-09, Template Schemas, on
/// task parameter ranges; a range expression of numbers may count further.
pub const MOST_LISTED: usize = 1024;

/// Most parameters a job may have. Open Job Description 2023-09, Template Schemas, Job Template.
const MOST_PARAMETERS: usize = 50;

/// Most letters of a job's name there. What a plan calls its cut may be longer.
const LONGEST_NAME: usize = 128;

/// A template, and what its parameters are on the machine the plan was made on.
#[derive(Debug, Clone, PartialEq)]
pub struct FarmJob {
    /// The template.
    pub template: Value,
    /// The values of its parameters, by name. They stand apart, for the defaults of paths in a
    /// template have to lie beside it.
    pub values: Value,
}

/// Makes the job of a plan in the folder `out`, which is absolute.
///
/// Up to 1,024 shots are listed by name. Past that the tasks are numbered, and each finds its
/// shot in the plan.
///
/// # Errors
///
/// More logs and media folders than a job has parameters for.
pub fn farm_job(plan: &Plan, out: &str) -> Result<FarmJob, Faults> {
    let mut template: Value =
        serde_json::from_str(TEMPLATE).map_err(|why| damaged(&why.to_string()))?;
    let mut values = Map::new();
    values.insert("Out".into(), out.into());
    let mut definitions = Vec::new();
    let mut args: Vec<Value> = Vec::new();
    for word in &plan.words {
        let (option, about, stem, value) = match word {
            Word::Own(word) => {
                args.push(word.as_str().into());
                continue;
            }
            // In one word: a text that begins with a hyphen would be taken for an option.
            Word::Text(option, text) => {
                (format!("{option}="), json!({"type": "STRING"}), "Text", text)
            }
            Word::File(path) => (String::new(), path_in("FILE"), "File", path),
            Word::Folder(path) => (String::new(), path_in("DIRECTORY"), "Folder", path),
        };
        let name = format!("{stem}{}", definitions.len() + 1);
        let Value::Object(about) = about else { continue };
        let mut definition = Map::from_iter([("name".to_string(), Value::from(name.as_str()))]);
        definition.extend(about);
        definitions.push(Value::Object(definition));
        args.push(format!("{option}{{{{Param.{name}}}}}").into());
        values.insert(name, value.as_str().into());
    }
    let known = template["parameterDefinitions"].as_array_mut();
    let known = known.ok_or_else(|| damaged("no parameters"))?;
    if known.len() + definitions.len() > MOST_PARAMETERS {
        return Err(too_many(definitions.len(), MOST_PARAMETERS - known.len()));
    }
    known.append(&mut definitions);
    template["name"] = job_name(&plan.cut).into();
    let steps = template["steps"].as_array_mut().ok_or_else(|| damaged("no steps"))?;
    let numbered = plan.shots.len() > MOST_LISTED;
    for step in steps.iter_mut() {
        add_words(step, &args, numbered).ok_or_else(|| damaged("a step without words"))?;
    }
    if plan.shots.is_empty() {
        // A list of tasks may not be empty; there is only something to collect.
        steps.retain(|step| step.get("parameterSpace").is_none());
        steps.iter_mut().filter_map(Value::as_object_mut).for_each(|step| {
            step.remove("dependencies");
        });
    } else if let Some(render) = steps.first_mut() {
        let shots: Vec<&str> = plan.shots.iter().map(|one| one.shot.as_str()).collect();
        render["parameterSpace"]["taskParameterDefinitions"] = match numbered {
            true => json!([{"name": "Shot", "type": "INT", "range": format!("1-{}", shots.len())}]),
            false => json!([{"name": "Shot", "type": "STRING", "range": shots}]),
        };
    }
    Ok(FarmJob { template, values: Value::Object(values) })
}

fn path_in(kind: &str) -> Value {
    json!({"type": "PATH", "objectType": kind, "dataFlow": "IN"})
}

/// Puts the words of the plan behind `turnover`. `None` where the template is not as it was.
fn add_words(step: &mut Value, words: &[Value], numbered: bool) -> Option<()> {
    let args = step.pointer_mut("/script/actions/onRun/args")?.as_array_mut()?;
    args.splice(1..1, words.iter().cloned());
    for word in args.iter_mut().filter(|word| numbered && *word == "{{Task.Param.Shot}}") {
        *word = "#{{Task.Param.Shot}}".into();
    }
    Some(())
}

/// Names the job after the cut. A name is a format string there: braces would be read as one.
fn job_name(cut: &str) -> String {
    let plain = |letter: char| match letter {
        '{' => '(',
        '}' => ')',
        letter if letter.is_control() => ' ',
        letter => letter,
    };
    let name = format!("Platesmith {cut}");
    name.trim().chars().map(plain).take(LONGEST_NAME).collect()
}

fn damaged(why: &str) -> Faults {
    let remedy = "install the program again";
    Faults::one("farm template", "", format!("is not as it was: {why}"), remedy)
}

fn too_many(paths: usize, most: usize) -> Faults {
    let fault = format!("{paths} logs, folders and other files, and a job has room for {most}");
    let remedy = "give --log and --media folders that hold them, and write the plan again";
    Faults::one("plan", "", fault, remedy)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(shots: usize, words: Vec<Word>) -> Plan {
        let shot =
            |at: usize| json!({"shot": format!("S_{at}"), "at": at, "pointer": "", "with": [at]});
        let shots: Vec<Value> = (0..shots).map(shot).collect();
        let plan = json!({"schema": "platesmith.plan/1", "cut": "{{Reel}} 3", "words": words, "shots": shots});
        serde_json::from_value(plan).expect("a plan")
    }

    fn args(job: &FarmJob, step: usize) -> Vec<&str> {
        let args = job.template["steps"][step]["script"]["actions"]["onRun"]["args"].as_array();
        args.into_iter().flatten().filter_map(Value::as_str).collect()
    }

    #[test]
    fn paths_and_free_text_are_parameters_and_words_of_ours_are_not() {
        let words = vec![
            Word::File("/a b/{{Param.Out}}.otio".into()),
            Word::Own("--media".into()),
            Word::Folder("/m'; true".into()),
            Word::Text("--timeline".into(), "$(x)".into()),
        ];
        let job = farm_job(&plan(2, words), "/out").expect("a job");
        let timeline = "--timeline={{Param.Text3}}";
        let first = ["turnover", "{{Param.File1}}", "--media", "{{Param.Folder2}}", timeline];
        assert_eq!(args(&job, 0)[..5], first);
        assert_eq!(args(&job, 1)[..5], first);
        assert_eq!(job.values["File1"], "/a b/{{Param.Out}}.otio");
        assert_eq!(job.values["Text3"], "$(x)");
        assert_eq!(job.template["name"], "Platesmith ((Reel)) 3");
        let text = job.template.to_string();
        assert!(!text.contains("true") && !text.contains("$(x)"), "{text}");
    }

    #[test]
    fn past_what_a_list_may_hold_tasks_are_numbered() {
        let job = farm_job(&plan(MOST_LISTED, Vec::new()), "/out").expect("a job");
        let parameter = |job: &FarmJob| {
            job.template["steps"][0]["parameterSpace"]["taskParameterDefinitions"][0].clone()
        };
        assert_eq!(parameter(&job)["range"].as_array().map(Vec::len), Some(MOST_LISTED));
        let job = farm_job(&plan(MOST_LISTED + 1, Vec::new()), "/out").expect("a job");
        assert_eq!(parameter(&job), json!({"name": "Shot", "type": "INT", "range": "1-1025"}));
        assert_eq!(args(&job, 0).last(), Some(&"#{{Task.Param.Shot}}"));
        let job = farm_job(&plan(0, Vec::new()), "/out").expect("a job");
        assert_eq!(job.template["steps"].as_array().map(Vec::len), Some(1));
        assert_eq!(job.template["steps"][0]["name"], "Collect");
    }

    #[test]
    fn more_paths_than_a_job_has_parameters_for_are_refused() {
        let logs = |count| (0..count).map(|at| Word::File(format!("/{at}.csv"))).collect();
        assert!(farm_job(&plan(1, logs(48)), "/out").is_ok());
        assert!(farm_job(&plan(1, logs(49)), "/out").is_err());
    }
}
