package report

import (
	"strings"
	"testing"

	"sapward/apply/record"
	"sapward/internal/lang"
)

// A reason of the program's own is said in the reader's language, also from a
// record that holds its old English words; a person's words stay.
func TestRecordLines_SayTheProgramsReasons(t *testing.T) {
	for _, x := range []struct{ language, reason, want string }{
		{"es", record.NoneUndiluted, "inyectado como producto, sin agua"}, {"es", "injected as product, without water", "inyectado como producto, sin agua"},
		{"en", record.NoneUndiluted, "injected as product, without water"}, {"es", record.NoneOnCard, "la ficha dice que no lo hay"}, {"es", "nobody looked", "nobody looked"},
	} {
		l := &liner{say: lang.New(x.language, "metric")}
		if got := said(l, record.DoesNotApply[string](x.reason), plain); !strings.Contains(got, x.want) || strings.Contains(got, "none-") {
			t.Errorf("%s %q: %q", x.language, x.reason, got)
		}
	}
}
