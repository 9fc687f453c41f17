package metrics

import (
	"os"
	"runtime"
	rt "runtime/metrics"
	"strconv"
	"strings"
	"time"
)

// Process adds what the Go runtime and the system say of this process.
func (r *Registry) Process(version string, started time.Time) {
	r.Read("sapward_build_info", "Version of the program.", "gauge", []string{"version", "go"}, func(emit Emit) { emit(1, version, runtime.Version()) })
	r.Read("process_start_time_seconds", "When the process started, in seconds since 1970.", "gauge", nil, func(emit Emit) { emit(float64(started.UnixMilli()) / 1000) })
	for _, x := range []struct{ name, help, kind, from string }{
		{"go_goroutines", "Goroutines that exist.", "gauge", "/sched/goroutines:goroutines"},
		{"go_memory_bytes", "Memory mapped by the Go runtime.", "gauge", "/memory/classes/total:bytes"},
		{"go_heap_objects_bytes", "Memory of objects, live or not yet swept.", "gauge", "/memory/classes/heap/objects:bytes"},
		{"go_gc_cycles", "Garbage collections.", "counter", "/gc/cycles/total:gc-cycles"},
		{"go_allocated_bytes", "Memory allocated since the start.", "counter", "/gc/heap/allocs:bytes"},
		{"go_cpu_gc_seconds", "Processor time of the garbage collection (estimate).", "counter", "/cpu/classes/gc/total:cpu-seconds"},
		{"go_cpu_user_seconds", "Processor time of the program's own code (estimate).", "counter", "/cpu/classes/user:cpu-seconds"},
	} {
		r.Read(x.name, x.help, x.kind, nil, func(emit Emit) {
			s := []rt.Sample{{Name: x.from}}
			rt.Read(s)
			switch s[0].Value.Kind() {
			case rt.KindUint64:
				emit(float64(s[0].Value.Uint64()))
			case rt.KindFloat64:
				emit(s[0].Value.Float64())
			}
		})
	}
	r.Read("process_resident_memory_bytes", "Resident memory, where the system tells (Linux).", "gauge", nil, func(emit Emit) {
		if n, ok := Resident(); ok {
			emit(float64(n))
		}
	})
	r.Read("process_open_fds", "Open files and connections, where the system tells (Linux).", "gauge", nil, func(emit Emit) {
		if list, err := os.ReadDir("/proc/self/fd"); err == nil {
			emit(float64(len(list)))
		}
	})
}

// Resident returns the resident memory of this process in bytes; false where the
// system does not tell.
func Resident() (int64, bool) {
	data, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		return 0, false
	}
	f := strings.Fields(string(data))
	if len(f) < 2 {
		return 0, false
	}
	n, err := strconv.ParseInt(f[1], 10, 64)
	return n * int64(os.Getpagesize()), err == nil
}
