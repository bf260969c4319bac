package wording

// weighed are what the scale says of a roll.
var weighed = []Entry{
	{"cause.wrong-grade", "the roll is of grade {name}"},
	{"cause.wrong-core", "the roll has the core {name}"},
	{"cause.wrong-roll", "another roll is on the scale"},
	{"cause.no-outer-heads", "both outer heads are missing"},
	{"cause.one-outer-head", "an outer head is missing"},
	{"cause.no-inner-heads", "both inner heads are missing"},
	{"cause.one-inner-head", "an inner head is missing"},
	{"cause.no-wrapper", "the roll has no wrapper"},
	{"cause.double-wrapper", "the roll was wrapped twice"},
	{"cause.unknown", "unknown cause"},
	{"weighed.reads", "the scale reads {got}, expected are {expected} ± {tolerance}"},
	{"weighed.doubtful", "{reads}; it is off by {off}, but no more than the prediction itself may be"},
	{"weighed.wrong", "{reads}; it is off by {off}"},
	{"weighed.unreadable", "the scale reading of {got} cannot be judged"},
	{"weighed.no-cause", "{reads}, and no single cause explains it; weigh again and look at roll and scale"},
	{"weighed.cause", "{cause} ({mass})"},
	{"weighed.causes", "{reads}; likely, the best first: {causes}. Look at the roll before its label is printed"},
}
