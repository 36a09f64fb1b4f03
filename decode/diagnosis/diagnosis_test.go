package diagnosis

import (
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"gearwitness/decode/internal/vectortest"
)

func TestCodes(t *testing.T) {
	for _, v := range vectortest.Load(t, "obd_dtc") {
		var in, want string
		v.Decode(t, &in, &want)
		if got := Code(vectortest.ID(t, in)).Text(); got != want {
			t.Errorf("%s: got %s", v.Name, got)
		}
	}
	for _, v := range vectortest.Load(t, "dtc.text") {
		var in struct{ Bytes string }
		var want struct{ Text string }
		v.Decode(t, &in, &want)
		if got := Code(vectortest.ID(t, in.Bytes)).Text(); got != want.Text {
			t.Errorf("%s: got %s", v.Name, got)
		}
	}
}

func texts(list []Fault) []string {
	out := []string{}
	for _, f := range list {
		out = append(out, f.Text)
	}
	return out
}

func TestFaults(t *testing.T) {
	for _, v := range vectortest.Load(t, "obd_dtc_list") {
		var in string
		var want []string
		v.Decode(t, &in, &want)
		_, _, list, ok := Faults(vectortest.Hex(t, in))
		if got := texts(list); !ok || !slices.Equal(got, want) {
			t.Errorf("%s: got %v, %v", v.Name, got, ok)
		}
	}
	for _, v := range vectortest.Load(t, "dtc.response") {
		var in struct{ Payload string }
		var want struct {
			Kind  string
			Count int
			Codes []string
		}
		v.Decode(t, &in, &want)
		memory, _, list, ok := Faults(vectortest.Hex(t, in.Payload))
		if got := texts(list); !ok || string(memory) != want.Kind || len(got) != want.Count || !slices.Equal(got, want.Codes) {
			t.Errorf("%s: got %s %v, %v", v.Name, memory, got, ok)
		}
	}
	for _, v := range vectortest.Load(t, "uds.dtc") {
		var in struct{ Response string }
		var want struct {
			Mask Status
			DTCs []struct {
				Code   string
				Status []string
			}
		}
		v.Decode(t, &in, &want)
		memory, mask, list, ok := Faults(vectortest.Hex(t, in.Response))
		if !ok || memory != ByStatus || mask != want.Mask || len(list) != len(want.DTCs) {
			t.Errorf("%s: got %s %02x %v, %v", v.Name, memory, mask, list, ok)
			continue
		}
		for i, f := range list {
			if f.Text != want.DTCs[i].Code || !slices.Equal(f.Status.Names(), want.DTCs[i].Status) {
				t.Errorf("%s: got %s %v", v.Name, f.Text, f.Status.Names())
			}
		}
	}
	for _, payload := range []string{"", "43", "430207410715"[:8], "5902", "5902ff0741", "5903ff", "4101"} {
		if _, _, list, ok := Faults(vectortest.Hex(t, payload)); ok {
			t.Errorf("%s: got %v", payload, list)
		}
	}
	if got := Status(0x89).String(); got != "failed now, confirmed, warning lamp" {
		t.Errorf("status 89: %s", got)
	}
}

func TestAnswersOfISO14229(t *testing.T) {
	for _, v := range vectortest.Load(t, "uds") {
		var in string
		var want struct {
			Negative bool
			Service  byte
			Code     byte
			Text     string
			DID      uint16
			Data     string
			Mask     Status
			Codes    []struct {
				Code, Text string
				Status     Status
			}
		}
		v.Decode(t, &in, &want)
		payload := vectortest.Hex(t, in)
		r, refused := Refused(payload)
		if refused != want.Negative {
			t.Errorf("%s: refused %v", v.Name, refused)
		}
		if refused {
			if r.Service != want.Service || r.Code != want.Code || r.Text != want.Text {
				t.Errorf("%s: got %+v", v.Name, r)
			}
			continue
		}
		if want.Service == 0x22 {
			id, data, ok := Identifier(payload)
			if !ok || id != want.DID || hex.EncodeToString(data) != want.Data {
				t.Errorf("%s: got %04x % x", v.Name, id, data)
			}
			continue
		}
		_, mask, list, ok := Faults(payload)
		if !ok || mask != want.Mask || len(list) != len(want.Codes) {
			t.Errorf("%s: got %02x %v, %v", v.Name, mask, list, ok)
			continue
		}
		for i, f := range list {
			if w := want.Codes[i]; f.Text != w.Text || f.Status != w.Status || fmt.Sprintf("%06X", f.Code) != w.Code {
				t.Errorf("%s: got %+v", v.Name, f)
			}
		}
	}
	for _, v := range vectortest.Load(t, "uds.negative") {
		var in struct{ Response string }
		var want struct {
			Service, Code, Name string
			Wait, Retry         bool
		}
		v.Decode(t, &in, &want)
		r, ok := Refused(vectortest.Hex(t, in.Response))
		if !ok || fmt.Sprintf("%02X", r.Service) != want.Service || fmt.Sprintf("%02X", r.Code) != want.Code || r.Name != want.Name || r.Wait != want.Wait || r.Retry != want.Retry {
			t.Errorf("%s: got %+v", v.Name, r)
		}
	}
	for _, v := range vectortest.Load(t, "uds.read") {
		var in struct{ Response string }
		var want struct{ DID, Data string }
		v.Decode(t, &in, &want)
		id, data, ok := Identifier(vectortest.Hex(t, in.Response))
		if !ok || fmt.Sprintf("%04X", id) != want.DID || strings.ToUpper(hex.EncodeToString(data)) != want.Data {
			t.Errorf("%s: got %04X % X", v.Name, id, data)
		}
	}
	if r, ok := Refused([]byte{0x7F, 0x22, 0x99}); !ok || r.Text != "refused with code 99" {
		t.Errorf("an unknown code: %+v", r)
	}
}

func TestSupported(t *testing.T) {
	for _, v := range vectortest.Load(t, "obd.supported") {
		var in struct{ Response string }
		var want struct{ PIDs []string }
		v.Decode(t, &in, &want)
		list, ok := Supported(vectortest.Hex(t, in.Response))
		var got []string
		for _, p := range list {
			got = append(got, fmt.Sprintf("%02X", p))
		}
		if !ok || !slices.Equal(got, want.PIDs) {
			t.Errorf("%s: got %v", v.Name, got)
		}
	}
}

func TestRecords(t *testing.T) {
	for _, v := range vectortest.Load(t, "obd.multi") {
		var in struct{ Response string }
		var want struct{ Records []struct{ PID, Data string } }
		v.Decode(t, &in, &want)
		list, ok := Records(vectortest.Hex(t, in.Response))
		if !ok || len(list) != len(want.Records) {
			t.Errorf("%s: got %v, %v", v.Name, list, ok)
			continue
		}
		for i, r := range list {
			if w := want.Records[i]; fmt.Sprintf("%02X", r.Item) != w.PID || strings.ToUpper(hex.EncodeToString(r.Data)) != w.Data {
				t.Errorf("%s: got %02X % X", v.Name, r.Item, r.Data)
			}
		}
	}
	// Every published answer of one parameter is one record.
	for _, kind := range []string{"obd_pid", "obd.pid"} {
		for _, v := range vectortest.Load(t, kind) {
			var in, want any
			v.Decode(t, &in, &want)
			text, _ := in.(string)
			if m, ok := in.(map[string]any); ok {
				text = m["response"].(string)
			}
			payload := vectortest.Hex(t, text)
			if list, ok := Records(payload); !ok || len(list) != 1 || list[0].Item != payload[1] || len(list[0].Data) != len(payload)-2 {
				t.Errorf("%s: got %v, %v", v.Name, list, ok)
			}
		}
	}
}

func TestGear(t *testing.T) {
	for _, v := range vectortest.Load(t, "obd.pid_a4") {
		var in struct{ Response string }
		var want struct {
			GearSupported  bool `json:"gear_supported"`
			RatioSupported bool `json:"ratio_supported"`
			Gear           int
			Ratio          float64
		}
		v.Decode(t, &in, &want)
		gear, hasGear, ratio, hasRatio := Gear(vectortest.Hex(t, in.Response)[2:])
		if hasGear != want.GearSupported || hasRatio != want.RatioSupported || gear != want.Gear || math.Abs(ratio-want.Ratio) > 1e-12 {
			t.Errorf("%s: got %d %v, %g %v", v.Name, gear, hasGear, ratio, hasRatio)
		}
	}
}

func TestAddresses(t *testing.T) {
	for _, v := range vectortest.Load(t, "obd_id") {
		var in, want string
		v.Decode(t, &in, &want)
		if got := AddressOf(vectortest.ID(t, in), len(in) > 3).String(); got != want {
			t.Errorf("%s: got %s", v.Name, got)
		}
	}
	for _, v := range vectortest.Load(t, "obd.address") {
		var in struct{ ID string }
		var want struct {
			AnswerOf uint8  `json:"answer_of"`
			To       string `json:"flow_control_to"`
			None     bool   `json:"not_an_answer"`
		}
		v.Decode(t, &in, &want)
		a := AddressOf(vectortest.ID(t, in.ID), len(in.ID) > 3)
		to, ok := a.FlowControlTo()
		if ok == want.None || ok && (a.Unit != want.AnswerOf || to != vectortest.ID(t, want.To)) {
			t.Errorf("%s: got %+v, flow control to %X", v.Name, a, to)
		}
	}
}

func FuzzPayload(f *testing.F) {
	f.Add([]byte{0x43, 2, 7, 0x41, 7, 0x15})
	f.Add([]byte{0x59, 2, 0xFF, 7, 0x41, 0x1C, 0x2F})
	f.Add([]byte{0x41, 0x0C, 0x1A, 0xF8, 0x0D, 0x50})
	f.Fuzz(func(t *testing.T, payload []byte) {
		if _, _, list, _ := Faults(payload); len(list) > len(payload) {
			t.Fatalf("%d codes of %d bytes", len(list), len(payload))
		}
		if list, ok := Records(payload); ok {
			n := 1
			for _, r := range list {
				n += 1 + len(r.Data)
			}
			if n != len(payload) {
				t.Fatalf("records of %d bytes out of %d", n, len(payload))
			}
		}
		Refused(payload)
		Supported(payload)
		Identifier(payload)
	})
}
