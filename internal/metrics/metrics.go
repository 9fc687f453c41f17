// Package metrics counts what a server does and writes it in the OpenMetrics
// text format, version 1.0, which Prometheus and others read. Names and labels
// are the program's own constants; nothing that a person typed becomes one.
package metrics

import (
	"fmt"
	"io"
	"math"
	"net/http"
	"sort"
	"strconv"
	"strings"
	"sync"
)

// ContentType is that of the text format.
const ContentType = "application/openmetrics-text; version=1.0.0; charset=utf-8"

// mostSeries bounds how many combinations of labels one metric has; what comes
// after is counted under "other".
const mostSeries = 2000

// Registry holds the metrics of a server. It is safe for concurrent use.
type Registry struct {
	mu       sync.Mutex
	families []*family
}

// New returns an empty registry.
func New() *Registry { return &Registry{} }

type family struct {
	name, help, kind string
	labels           []string
	buckets          []float64
	mu               sync.Mutex
	series           map[string]*series
	read             func(emit Emit)
}

// Emit passes one value with its labels.
type Emit func(value float64, labels ...string)

type series struct {
	labels []string
	sum    float64
	count  uint64
	within []uint64 // by bucket
}

func (r *Registry) add(f *family) *family {
	f.series = map[string]*series{}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.families = append(r.families, f)
	return f
}

func (f *family) at(labels []string) *series {
	if len(labels) != len(f.labels) {
		panic(fmt.Sprintf("metrics: %s has %d labels, not %d", f.name, len(f.labels), len(labels))) // a programmer's mistake
	}
	key := strings.Join(labels, "\x00")
	s := f.series[key]
	if s == nil && len(f.series) >= mostSeries {
		labels = make([]string, len(f.labels))
		for i := range labels {
			labels[i] = "other"
		}
		key = strings.Join(labels, "\x00")
		s = f.series[key]
	}
	if s == nil {
		s = &series{labels: labels, within: make([]uint64, len(f.buckets))}
		f.series[key] = s
	}
	return s
}

// Counter only grows. Its name is written with _total behind it. A nil counter
// counts nothing.
type Counter struct{ f *family }

// Counter makes a counter with labels.
func (r *Registry) Counter(name, help string, labels ...string) *Counter {
	if r == nil {
		return nil
	}
	return &Counter{r.add(&family{name: name, help: help, kind: "counter", labels: labels})}
}

// Add adds to the counter; a negative number is left out.
func (c *Counter) Add(n float64, labels ...string) {
	if c == nil || n < 0 || math.IsNaN(n) {
		return
	}
	c.f.mu.Lock()
	defer c.f.mu.Unlock()
	c.f.at(labels).sum += n
}

// Gauge goes up and down. A nil gauge holds nothing.
type Gauge struct{ f *family }

// Gauge makes a gauge with labels.
func (r *Registry) Gauge(name, help string, labels ...string) *Gauge {
	if r == nil {
		return nil
	}
	return &Gauge{r.add(&family{name: name, help: help, kind: "gauge", labels: labels})}
}

// Add adds to the gauge.
func (g *Gauge) Add(n float64, labels ...string) {
	if g == nil {
		return
	}
	g.f.mu.Lock()
	defer g.f.mu.Unlock()
	g.f.at(labels).sum += n
}

// Set sets the gauge.
func (g *Gauge) Set(x float64, labels ...string) {
	if g == nil {
		return
	}
	g.f.mu.Lock()
	defer g.f.mu.Unlock()
	g.f.at(labels).sum = x
}

// Histogram counts values by how large they are. A nil histogram counts nothing.
type Histogram struct{ f *family }

// Histogram makes a histogram; buckets are upper bounds in order, to which an
// infinite one is added.
func (r *Registry) Histogram(name, help string, buckets []float64, labels ...string) *Histogram {
	if r == nil {
		return nil
	}
	return &Histogram{r.add(&family{name: name, help: help, kind: "histogram", labels: labels, buckets: append([]float64{}, buckets...)})}
}

// Observe counts a value.
func (h *Histogram) Observe(x float64, labels ...string) {
	if h == nil || math.IsNaN(x) {
		return
	}
	h.f.mu.Lock()
	defer h.f.mu.Unlock()
	s := h.f.at(labels)
	s.sum += x
	s.count++
	if i := sort.SearchFloat64s(h.f.buckets, x); i < len(h.f.buckets) {
		s.within[i]++
	}
}

// Read makes a metric whose values are read when they are asked for; kind is
// counter or gauge.
func (r *Registry) Read(name, help, kind string, labels []string, read func(emit Emit)) {
	if r != nil {
		r.add(&family{name: name, help: help, kind: kind, labels: labels, read: read})
	}
}

var escaped = strings.NewReplacer(`\`, `\\`, "\n", `\n`, `"`, `\"`)

func number(x float64) string {
	switch {
	case math.IsInf(x, 1):
		return "+Inf"
	case math.IsInf(x, -1):
		return "-Inf"
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}

// line writes one sample.
func line(b *strings.Builder, name string, labels, values []string, extra, bound string, value string) {
	b.WriteString(name)
	sep := byte('{')
	put := func(k, v string) {
		b.WriteByte(sep)
		sep = ','
		b.WriteString(k + `="` + escaped.Replace(strings.ToValidUTF8(v, "?")) + `"`)
	}
	for i, l := range labels {
		put(l, values[i])
	}
	if extra != "" {
		put(extra, bound)
	}
	if sep == ',' {
		b.WriteByte('}')
	}
	b.WriteString(" " + value + "\n")
}

// Write writes all metrics.
func (r *Registry) Write(w io.Writer) error {
	r.mu.Lock()
	families := append([]*family{}, r.families...)
	r.mu.Unlock()
	sort.SliceStable(families, func(i, k int) bool { return families[i].name < families[k].name })
	var b strings.Builder
	for _, f := range families {
		fmt.Fprintf(&b, "# TYPE %s %s\n# HELP %s %s\n", f.name, f.kind, f.name, escaped.Replace(f.help))
		f.write(&b)
	}
	b.WriteString("# EOF\n")
	_, err := io.WriteString(w, b.String())
	return err
}

func (f *family) write(b *strings.Builder) {
	name := f.name
	if f.kind == "counter" {
		name += "_total"
	}
	if f.read != nil {
		f.read(func(value float64, labels ...string) { line(b, name, f.labels, labels, "", "", number(value)) })
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	keys := make([]string, 0, len(f.series))
	for k := range f.series {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	for _, k := range keys {
		s := f.series[k]
		if f.kind != "histogram" {
			line(b, name, f.labels, s.labels, "", "", number(s.sum))
			continue
		}
		var n uint64
		for i, bound := range f.buckets {
			n += s.within[i]
			text := number(bound)
			if !strings.ContainsAny(text, ".e") {
				text += ".0"
			}
			line(b, name+"_bucket", f.labels, s.labels, "le", text, strconv.FormatUint(n, 10))
		}
		line(b, name+"_bucket", f.labels, s.labels, "le", "+Inf", strconv.FormatUint(s.count, 10))
		line(b, name+"_count", f.labels, s.labels, "", "", strconv.FormatUint(s.count, 10))
		line(b, name+"_sum", f.labels, s.labels, "", "", number(s.sum))
	}
}

// ServeHTTP answers with all metrics.
func (r *Registry) ServeHTTP(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", ContentType)
	w.Header().Set("Cache-Control", "no-store")
	_ = r.Write(w)
}
