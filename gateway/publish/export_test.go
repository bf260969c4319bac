package publish

import "reflect"

// Events are all events.
var Events = []string{eventRoll, eventGap, eventHold, eventHoldAll, eventCondition, eventHead}

// PayloadType is the type of a payload.
var PayloadType = reflect.TypeFor[envelope]()
