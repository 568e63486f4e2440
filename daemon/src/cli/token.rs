//! `calwright token`: makes, lists and takes back the words by which people and programs say who they are.

use super::{Context, Exit, say};
use crate::http::tokens::{self, TokenError};
use crate::http::tokens_of;
use crate::record::UtcTime;
use crate::serve::words::Role;
use clap::{Args, Subcommand, ValueEnum};
use std::path::{Path, PathBuf};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The file of tokens; without it the daemon's.
    #[arg(long, value_name = "FILE")]
    file: Option<PathBuf>,
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Make a token for a person or program. It is printed once, and kept as a hash only.
    Add {
        /// Whose it is; this name goes into the records.
        name: String,
        /// What they may do; several times for several roles.
        #[arg(long = "role", required = true, value_enum)]
        roles: Vec<RoleWord>,
    },
    /// Take every token of a name back; logins with it end at once.
    Remove {
        /// Whose.
        name: String,
    },
    /// List names, roles and days; tokens themselves are kept nowhere.
    List,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum RoleWord {
    /// Look at everything.
    Viewer,
    /// Stop the rig.
    Stopper,
    /// Run jobs; arm and acknowledge where that is allowed.
    Operator,
    /// Release drafts.
    Approver,
    /// Everything.
    Admin,
}

impl RoleWord {
    fn role(self) -> Role {
        match self {
            Self::Viewer => Role::Viewer,
            Self::Stopper => Role::Stopper,
            Self::Operator => Role::Operator,
            Self::Approver => Role::Approver,
            Self::Admin => Role::Admin,
        }
    }
}

pub(super) fn run(context: &Context, arguments: &Arguments) -> Exit {
    let usual = || tokens_of(&context.settings.doors, &context.settings.state_dir());
    let file = arguments.file.clone().unwrap_or_else(usual);
    match done(context, &file, &arguments.what) {
        Ok(exit) => exit,
        Err(error) => {
            say::error(&format!("error: {error}"));
            match error {
                TokenError::Asked(_) => Exit::Input,
                TokenError::File(..) | TokenError::Open(..) | TokenError::Form(..) => Exit::Environment,
            }
        }
    }
}

fn done(context: &Context, file: &Path, what: &What) -> Result<Exit, TokenError> {
    match what {
        What::Add { name, roles } => {
            let roles = roles.iter().map(|r| r.role()).collect();
            let token = tokens::add(file, name, roles, UtcTime::now())?;
            say::out(&token);
            say::error("This is shown once. Hand it to that person by a way that nobody else reads.");
        }
        What::Remove { name } => {
            let gone = tokens::remove(file, name)?;
            if gone == 0 {
                let text = format!(
                    "'{name}' has no token in {}; 'calwright token list' shows who has",
                    file.display()
                );
                return Err(TokenError::Asked(text));
            }
            say::error(&format!("{gone} of '{name}' taken back"));
        }
        What::List => {
            let all = tokens::list(file)?;
            if context.json {
                let bare: Vec<_> = all
                    .iter()
                    .map(|t| serde_json::json!({ "name": t.name, "roles": t.roles, "made": t.made }))
                    .collect();
                say::out(&serde_json::to_string_pretty(&bare).unwrap_or_default());
                return Ok(Exit::Done);
            }
            for token in all {
                let roles: Vec<String> =
                    token.roles.iter().map(|r| format!("{r:?}").to_lowercase()).collect();
                say::out(&format!("{}  {}  made {}", token.name, roles.join(", "), token.made));
            }
        }
    }
    Ok(Exit::Done)
}
