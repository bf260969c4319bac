package opcua

import (
	"strconv"
	"strings"
	"time"

	"github.com/awcullen/opcua/ua"
)

func good(v any) ua.DataValue {
	now := time.Now()
	return ua.NewDataValue(v, ua.Good, now, 0, now, 0)
}

func bad(status ua.StatusCode) ua.DataValue {
	return ua.NewDataValue(nil, status, time.Time{}, 0, time.Now(), 0)
}

// ranged returns the words that an index range names, "2" or "2:5".
func ranged(words []uint16, r string) ua.DataValue {
	if r == "" {
		return good(words)
	}
	from, to, both := strings.Cut(r, ":")
	lo, err := strconv.ParseUint(from, 10, 31)
	hi := lo
	if both && err == nil {
		hi, err = strconv.ParseUint(to, 10, 31)
	}
	switch {
	case err != nil, both && hi <= lo:
		return bad(ua.BadIndexRangeInvalid)
	case lo >= uint64(len(words)):
		return bad(ua.BadIndexRangeNoData)
	}
	return good(words[lo:min(hi+1, uint64(len(words)))])
}
