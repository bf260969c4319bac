package channel

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"github.com/gopcua/opcua/ua"
)

// A read stands on the wire as the library would write it, also where the one before was longer.
func TestReadRequestIsThatOfTheLibrary(t *testing.T) {
	var ours ReadRequest
	for _, nodes := range []int{1, 5, 2} {
		theirs := &ua.ReadRequest{MaxAge: 2.5 * float64(nodes), TimestampsToReturn: ua.TimestampsToReturnServer, RequestHeader: &ua.RequestHeader{
			AuthenticationToken: ua.NewByteStringNodeID(0, []byte{1, 2, 3}), Timestamp: time.Unix(1790000000, 0), RequestHandle: uint32(nodes), TimeoutHint: 900,
		}}
		ours.MaxAge, ours.TimestampsToReturn, ours.NodesToRead = theirs.MaxAge, theirs.TimestampsToReturn, nil
		ours.SetHeader(theirs.RequestHeader)
		for i := range nodes {
			id := &ua.ReadValueID{NodeID: ua.NewStringNodeID(2, fmt.Sprint("OUT", i)), AttributeID: ua.AttributeIDValue, DataEncoding: &ua.QualifiedName{}}
			encoded, err := ua.Encode(id)
			if err != nil {
				t.Fatal(err)
			}
			theirs.NodesToRead, ours.NodesToRead = append(theirs.NodesToRead, id), append(ours.NodesToRead, encoded)
		}
		want, err := ua.Encode(theirs)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := ua.Encode(&ours); err != nil || !bytes.Equal(got, want) {
			t.Errorf("a read of %d nodes: got %x, %v; want %x", nodes, got, err, want)
		}
	}
}
