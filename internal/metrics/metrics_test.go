package metrics

import (
	"net/http/httptest"
	"os/exec"
	"strings"
	"testing"
	"time"
)

func filled() *Registry {
	r := New()
	c := r.Counter("sapward_things", "Things; with \"quotes\".", "route", "status")
	c.Add(2, "GET /a/{id}", "200")
	c.Add(1, "GET /a/{id}", "200")
	c.Add(-5, "GET /a/{id}", "200")
	c.Add(1, "odd \\ \"\n", "500")
	h := r.Histogram("sapward_seconds", "How long.", []float64{0.1, 1, 10}, "route")
	for _, x := range []float64{0.05, 0.1, 0.5, 10, 11} {
		h.Observe(x, "a")
	}
	g := r.Gauge("sapward_open", "Open now.")
	g.Add(3)
	g.Add(-1)
	r.Read("sapward_read", "Read when asked.", "gauge", []string{"name"}, func(emit Emit) { emit(1.5, "x"); emit(2, "y") })
	return r
}

// The text is what OpenMetrics 1.0 asks for (worked by hand from its sections
// on text format, counters and histograms): families in order, counters with
// _total, cumulative buckets with an infinite one, an end.
func TestWrite_ByHand(t *testing.T) {
	var b strings.Builder
	if err := filled().Write(&b); err != nil {
		t.Fatal(err)
	}
	want := `# TYPE sapward_open gauge
# HELP sapward_open Open now.
sapward_open 2
# TYPE sapward_read gauge
# HELP sapward_read Read when asked.
sapward_read{name="x"} 1.5
sapward_read{name="y"} 2
# TYPE sapward_seconds histogram
# HELP sapward_seconds How long.
sapward_seconds_bucket{route="a",le="0.1"} 2
sapward_seconds_bucket{route="a",le="1.0"} 3
sapward_seconds_bucket{route="a",le="10.0"} 4
sapward_seconds_bucket{route="a",le="+Inf"} 5
sapward_seconds_count{route="a"} 5
sapward_seconds_sum{route="a"} 21.65
# TYPE sapward_things counter
# HELP sapward_things Things; with \"quotes\".
sapward_things_total{route="GET /a/{id}",status="200"} 3
sapward_things_total{route="odd \\ \"\n",status="500"} 1
# EOF
`
	if b.String() != want {
		t.Errorf("got\n%s\nwant\n%s", b.String(), want)
	}
}

// Another program reads it: the strict parser of Prometheus' own client for
// Python, from Debian.
func TestWrite_IsReadByAnother(t *testing.T) {
	const python = "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import prometheus_client.openmetrics.parser").Run(); err != nil {
		t.Skip("python3-prometheus-client is not installed; make test installs it where it may")
	}
	r := filled()
	r.Process("test", time.Now())
	w := httptest.NewRecorder()
	r.ServeHTTP(w, nil)
	if w.Header().Get("Content-Type") != ContentType {
		t.Error(w.Header())
	}
	c := exec.Command(python, "-c", `
import sys
from prometheus_client.openmetrics.parser import text_string_to_metric_families as p
n = {}
for f in p(sys.stdin.read()):
    for s in f.samples:
        n[s.name] = n.get(s.name, 0) + s.value
print(n["sapward_things_total"], n["sapward_seconds_sum"], n["sapward_seconds_bucket"], n["go_goroutines"] > 0, n["process_start_time_seconds"] > 1e9)
`)
	c.Stdin = w.Body
	out, err := c.CombinedOutput()
	if err != nil || strings.TrimSpace(string(out)) != "4 21.65 14 True True" {
		t.Errorf("%v: %s", err, out)
	}
}

// However many labels come, the text stays bounded, and a registry that is not
// there counts nothing.
func TestRegistry_IsBounded(t *testing.T) {
	r := New()
	c := r.Counter("n", "N.", "x")
	for i := range 3 * mostSeries {
		c.Add(1, strings.Repeat("x", i))
	}
	var b strings.Builder
	if err := r.Write(&b); err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(b.String(), "\nn_total"); n != mostSeries+1 {
		t.Errorf("%d lines", n)
	}
	var none *Registry
	none.Counter("a", "A.").Add(1)
	none.Gauge("a", "A.").Set(1)
	none.Histogram("a", "A.", nil).Observe(1)
	none.Read("a", "A.", "gauge", nil, nil)
}
