package record_test

import (
	"testing"

	"sapward/apply/record"
)

// The program's own reasons are known by code and by the words of older
// records; what a person wrote is left alone.
func TestReasonCode(t *testing.T) {
	for reason, want := range map[string]string{
		record.NoneUndiluted: record.NoneUndiluted, record.NoneOnCard: record.NoneOnCard,
		"injected as product, without water": record.NoneUndiluted, "the card states that there is none": record.NoneOnCard,
		"nobody looked": "", "": "", "Injected as product, without water": "",
	} {
		if code, ok := record.ReasonCode(reason); code != want || ok != (want != "") {
			t.Errorf("%q: %q %v, want %q", reason, code, ok, want)
		}
	}
}
