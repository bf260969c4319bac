package modbus

import (
	"encoding/binary"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/goburrow/modbus"

	"lapgate/gateway/link"
)

func reference(t *testing.T, check string) (input, expected, source string) {
	t.Helper()
	f, err := os.Open("../../../testdata/reference/wire.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows {
		if row[0] == check {
			return row[1], row[2], row[3]
		}
	}
	t.Fatalf("wire.csv has no row for %s", check)
	return
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// echo answers every request with one PDU, and keeps the request's.
type echo struct{ asked, answer []byte }

func (e *echo) Send(request []byte) ([]byte, error) {
	e.asked = slices.Clone(request[headSize:])
	answer := append(slices.Clone(request[:headSize]), e.answer...)
	binary.BigEndian.PutUint16(answer[4:], uint16(len(e.answer)+1))
	return answer, checkTCP(request, answer)
}

// TestReferencePDUs rests on the examples of the Modbus Application Protocol
// (P): the requests are made by the library as the port calls it, the answers
// pass the check here.
func TestReferencePDUs(t *testing.T) {
	for _, tt := range []struct {
		check string
		call  func(c modbus.Client) ([]byte, error)
		want  []byte
	}{
		{"pdu-fc03", func(c modbus.Client) ([]byte, error) { return c.ReadHoldingRegisters(0x6B, 3) }, []byte{2, 0x2B, 0, 0, 0, 0x64}},
		{"pdu-fc06", func(c modbus.Client) ([]byte, error) { return c.WriteSingleRegister(1, 3) }, []byte{0, 3}},
		{"pdu-fc16", func(c modbus.Client) ([]byte, error) {
			return c.WriteMultipleRegisters(1, 2, []byte{0, 0x0A, 1, 2})
		}, []byte{0, 2}},
	} {
		request, answer, source := reference(t, tt.check)
		e := &echo{answer: unhex(t, answer)}
		got, err := tt.call(modbus.NewClient2(tcpPackager(1), e))
		if err != nil {
			t.Errorf("%s: %v", tt.check, err)
		}
		if !slices.Equal(e.asked, unhex(t, request)) {
			t.Errorf("%s: request % X, want %s (%s)", tt.check, e.asked, request, source)
		}
		if !slices.Equal(got, tt.want) {
			t.Errorf("%s: result % X, want % X (%s)", tt.check, got, tt.want, source)
		}
	}
}

// TestReferenceLimits rests on the Modbus Application Protocol (P).
func TestReferenceLimits(t *testing.T) {
	for check, got := range map[string]int{"limit-fc03": link.MostRead, "limit-fc16": link.MostWrite} {
		if _, want, source := reference(t, check); fmt.Sprintf("1-%d", got) != want {
			t.Errorf("%s: 1-%d, want %s (%s)", check, got, want, source)
		}
	}
	number, address, source := reference(t, "register-number")
	help := exceptionHelp(modbus.ExceptionCodeIllegalDataAddress, failure{op: "read", function: modbus.FuncCodeReadHoldingRegisters, request: link.Request{Address: 0x6B, Words: 1}})
	want := fmt.Sprintf("(register %s in the other notation is address %d)", number, binary.BigEndian.Uint16(unhex(t, address)))
	if !strings.Contains(help, want) {
		t.Errorf("help %q lacks %q (%s)", help, want, source)
	}
}

// TestReferenceCRC16 rests on the published check value of CRC-16/MODBUS (P):
// the library's frames carry it.
func TestReferenceCRC16(t *testing.T) {
	text, want, source := reference(t, "crc16-modbus")
	h := modbus.NewRTUClientHandler("")
	h.SlaveId = text[0]
	adu, err := h.Encode(&modbus.ProtocolDataUnit{FunctionCode: text[1], Data: []byte(text[2:])})
	if err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprintf("%04X", binary.LittleEndian.Uint16(adu[len(text):])); got != want {
		t.Errorf("CRC-16 of %s is %s, want %s (%s)", text, got, want, source)
	}
}

// TestAnswerMustFit changes one thing about a right answer at a time. The
// library checks some of it again.
func TestAnswerMustFit(t *testing.T) {
	read := []byte{0, 9, 0, 0, 0, 6, 7, 3, 0, 0x6B, 0, 3}
	write := []byte{0, 9, 0, 0, 0, 11, 7, 16, 0, 1, 0, 2, 4, 0, 0x0A, 1, 2}
	data := func() []byte { return []byte{0, 9, 0, 0, 0, 9, 7, 3, 6, 2, 0x2B, 0, 0, 0, 0x64} }
	confirmed := func() []byte { return []byte{0, 9, 0, 0, 0, 6, 7, 16, 0, 1, 0, 2} }
	if err := errors.Join(checkTCP(read, data()), checkTCP(write, confirmed())); err != nil {
		t.Fatal(err)
	}
	set := func(b []byte, at int, v byte) []byte { b[at] = v; return b }
	for _, tt := range []struct {
		name            string
		request, answer []byte
		text            string
	}{
		{"transaction", read, set(data(), 1, 8), "transaction 8, want 9"},
		{"protocol", read, set(data(), 3, 1), "protocol 1, want 0"},
		{"unit", read, set(data(), 6, 8), "unit 8, want 7"},
		{"function", read, set(data(), 7, 4), "function 4, want 3"},
		{"byte count", read, set(data(), 8, 4), "announces 4 and holds 6"},
		{"one register short", read, data()[:13], "announces 6 and holds 4"},
		{"another address", write, set(confirmed(), 9, 2), "2 registers at 2, want 2 at 1"},
		{"another number", write, set(confirmed(), 11, 1), "1 registers at 1, want 2 at 1"},
		{"confirmation cut", write, confirmed()[:11], "confirmation has 4 bytes"},
		{"exception cut", read, set(data()[:8], 7, 0x83), "1 bytes"},
		{"exception too long", read, set(data()[:10], 7, 0x83), "exception has 3 bytes"},
		{"exception without a code", read, append(set(data()[:8], 7, 0x83), 0), "code 0"},
		{"exception to another function", read, append(set(data()[:8], 7, 0x90), 2), "function 144, want 3"},
	} {
		if err := checkTCP(tt.request, tt.answer); err == nil || !strings.Contains(err.Error(), tt.text) {
			t.Errorf("%s: got %v, want %q", tt.name, err, tt.text)
		}
	}
	for n, ok := range map[uint16]bool{0: false, 2: false, 3: true, 254: true, 255: false, 65535: false} {
		head := make([]byte, headSize)
		binary.BigEndian.PutUint16(head[4:], n)
		if _, err := bodyLength(head); (err == nil) != ok {
			t.Errorf("length field %d: %v", n, err)
		}
	}
}

// FuzzAnswer gives any bytes as the answer to a read and to a write: nothing
// panics, and only the one form that answers the request passes.
func FuzzAnswer(f *testing.F) {
	read := []byte{0, 9, 0, 0, 0, 6, 7, 3, 0, 0x6B, 0, 3}
	write := []byte{0, 9, 0, 0, 0, 11, 7, 16, 0, 1, 0, 2, 4, 0, 0x0A, 1, 2}
	f.Add(read, []byte{0, 9, 0, 0, 0, 9, 7, 3, 6, 2, 0x2B, 0, 0, 0, 0x64})
	f.Add(write, []byte{0, 9, 0, 0, 0, 6, 7, 16, 0, 1, 0, 2})
	f.Add(read, []byte{0, 9, 0, 0, 0, 3, 7, 0x83, 2})
	f.Fuzz(func(t *testing.T, _ []byte, answer []byte) {
		for _, request := range [][]byte{read, write} {
			if len(answer) < headSize {
				continue
			}
			if n, err := bodyLength(answer); err != nil || headSize-1+n != len(answer) {
				continue
			}
			if checkTCP(request, answer) != nil {
				continue
			}
			pdu := answer[headSize:]
			whole := answer[0] == 0 && answer[1] == 9 && answer[2] == 0 && answer[3] == 0 && answer[6] == 7
			exception := pdu[0] == request[7]|0x80 && len(pdu) == 2 && pdu[1] != 0
			data := pdu[0] == 3 && request[7] == 3 && len(pdu) == 8 && pdu[1] == 6
			confirmed := pdu[0] == 16 && slices.Equal(pdu, request[7:12])
			if !whole || !exception && !data && !confirmed {
				t.Fatalf("request % X took % X for its answer", request, answer)
			}
		}
		if len(answer) >= 3 {
			if n, err := frameLength([]byte{7, 3, 0, 0x6B, 0, 3}, answer[:3]); err == nil && (n < serialException || n > serialMost) {
				t.Fatalf("head % X announces %d bytes", answer[:3], n)
			}
		}
	})
}
