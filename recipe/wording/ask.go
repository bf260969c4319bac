package wording

// asks are what a command asks the person at the line, and what it tells besides the answer of
// the daemon.
var asks = []Entry{
	{"ask.caution", "CAUTION. {caution}"},
	{"ask.roll", "line {line}, roll {number} {tag}"},
	{"ask.choice", "[y/N]"},
	{"ask.yes.short", "y"},
	{"ask.yes", "yes"},
	{"ask.needs-yes", "{why}: without a terminal {what} needs --yes"},
	{"ask.act", "Is that so, and is everybody clear?"},
	{"ask.act.what", "this"},
	{"ask.act.not", "nothing was told"},
	{"ask.override", "Offer these values?"},
	{"ask.override.what", "an override"},
	{"ask.override.not", "nothing was changed"},
	{"ask.confirm", "Do you answer that what it asks for is done?"},
	{"ask.confirm.what", "a confirmation"},
	{"ask.confirm.not", "nothing was confirmed"},
	{"alarms.open", "{count} alarms not acknowledged"},
	{"alarms.open.one", "1 alarm not acknowledged"},
	{"why.none", "journal {name} tells of no roll {what}; {command} shows which there are"},
	{"why.none.near", "journal {name} tells of no roll {what}; did you mean {tag}? {command} shows which there are"},
	{"why.several", "{count} rolls of that name are in the journal; this is the newest, number {number}"},
	{"report.no-journal", "line {line} has no journal yet"},
	{"report.no-journal.at-all", "no line of the configuration has a journal yet; {command} begins one"},
	{"priority.none", "none"},
	{"priority.low", "low"},
	{"priority.medium", "medium"},
	{"priority.high", "high"},
}
