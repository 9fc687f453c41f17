package cli

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"regexp"
	"strings"
	"time"

	"sapward/finding"
	"sapward/internal/metrics"
	"sapward/internal/store"
)

// operateOptions are for whoever runs a server.
type operateOptions struct {
	Metrics      string        `help:"Address of a second listener with metrics (OpenMetrics text at /metrics), such as 127.0.0.1:9090; without it there is none."`
	Log          string        `help:"Form of the log on standard error: text or json." enum:"text,json" default:"text"`
	LogLevel     string        `name:"log-level" help:"Least of what is logged: debug, info, warn or error." enum:"debug,info,warn,error" default:"info"`
	LogAddresses bool          `name:"log-addresses" help:"Write network addresses into the log with sign-ins and refusals."`
	ProxyHeader  string        `name:"proxy-header" help:"Header whose last entry is the address of whoever asks, written by the proxy (with --behind-proxy), such as X-Forwarded-For."`
	BackupTo     string        `name:"backup-to" help:"Folder for backups by schedule; of several servers one makes each."`
	BackupEvery  time.Duration `name:"backup-every" help:"Time from one backup to the next; one that was missed is made at once." default:"24h"`
	BackupKeep   int           `name:"backup-keep" help:"How many backups stay in the folder." default:"14"`
}

// stopBound is how long requests under way may take once the server is to stop
// (program default).
const stopBound = 20 * time.Second

// check refuses options that do not go together.
func (o operateOptions) check(l listenOptions) error {
	var faults finding.Faults
	if o.ProxyHeader != "" && !l.BehindProxy {
		faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "serve-proxy-header"})
	}
	if o.BackupTo != "" && (o.BackupEvery < time.Minute || o.BackupKeep < 1) {
		faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "serve-backup-often"})
	}
	return faults.OrNil()
}

// logger writes the log: no names, no paths, no queries; addresses only where
// that was asked for.
func (o operateOptions) logger(e *env) *slog.Logger {
	var level slog.Level
	_ = level.UnmarshalText([]byte(o.LogLevel)) // empty: info
	h := &slog.HandlerOptions{Level: level}
	if o.Log == "json" {
		return slog.New(slog.NewJSONHandler(e.stderr, h))
	}
	return slog.New(slog.NewTextHandler(e.stderr, h))
}

// noAddresses takes network addresses out of what net/http says of broken
// connections.
type noAddresses struct{ slog.Handler }

var anAddress = regexp.MustCompile(`\[[0-9A-Fa-f:.%]+\](:[0-9]+)?|\b[0-9]{1,3}(\.[0-9]{1,3}){3}(:[0-9]+)?`)

// Handle writes a record without them.
func (h noAddresses) Handle(ctx context.Context, r slog.Record) error {
	text := anAddress.ReplaceAllString(strings.TrimSpace(r.Message), "(address)")
	return h.Handler.Handle(ctx, slog.NewRecord(r.Time, r.Level, text, 0))
}

// operating is what the second listener and the schedule work with.
type operating struct {
	e       *env
	ctx     context.Context
	store   *store.Store
	counts  *metrics.Registry
	log     *slog.Logger
	handler http.Handler
	started time.Time
	done    chan<- error
}

// begin starts the second listener and the schedule of backups. The function
// ends them.
func (o operateOptions) begin(x operating) (end func(), err error) {
	x.counts.Process(Version, x.started)
	readPools(x.counts, x.store)
	ctx, cancel := context.WithCancel(x.ctx)
	var ends []func()
	end = func() {
		cancel()
		for _, f := range ends {
			f()
		}
	}
	if o.Metrics != "" {
		l, err := net.Listen("tcp", o.Metrics)
		if err != nil {
			cancel()
			return nil, listenOptions{Listen: o.Metrics}.cannot(err)
		}
		mux := http.NewServeMux()
		mux.Handle("GET /metrics", x.counts)
		for _, p := range []string{"GET /healthz", "GET /readyz"} {
			mux.Handle(p, x.handler)
		}
		server := &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second, WriteTimeout: 30 * time.Second, IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10, ErrorLog: slog.NewLogLogger(noAddresses{x.log.Handler()}, slog.LevelDebug)}
		x.e.println(x.e.say.Say("serve-metrics", finding.Args{"url": finding.Text("http://" + l.Addr().String() + "/metrics")}))
		go func() { x.done <- server.Serve(l) }()
		ends = append(ends, func() { _ = server.Close() })
	}
	if o.BackupTo != "" {
		s := newSchedule(o, x)
		finished := make(chan struct{})
		go func() { defer close(finished); s.run(ctx) }()
		ends = append(ends, func() { <-finished })
	}
	return end, nil
}

// stop lets requests under way end, within a bound.
func (o operateOptions) stop(server *http.Server, stopping chan struct{}, log *slog.Logger) error {
	begin := time.Now()
	log.Info("stopping")
	close(stopping)
	ctx, cancel := context.WithTimeout(context.Background(), stopBound)
	defer cancel()
	err := server.Shutdown(ctx)
	if errors.Is(err, context.DeadlineExceeded) {
		log.Warn("requests were broken off", slog.Float64("after_s", time.Since(begin).Seconds()))
		err = server.Close()
	}
	log.Info("stopped", slog.Float64("after_s", time.Since(begin).Seconds()))
	if err != nil {
		return listenOptions{}.cannot(err)
	}
	return nil
}

// readPools adds what the store says of itself.
func readPools(r *metrics.Registry, s *store.Store) {
	pools := func(f func(store.Pool) float64) func(metrics.Emit) {
		return func(emit metrics.Emit) {
			for _, p := range s.Pools() {
				emit(f(p), p.Name)
			}
		}
	}
	label := []string{"pool"}
	r.Read("sapward_db_connections_open", "Connections to the database.", "gauge", label, pools(func(p store.Pool) float64 { return float64(p.Open) }))
	r.Read("sapward_db_connections_busy", "Connections to the database that are in use.", "gauge", label, pools(func(p store.Pool) float64 { return float64(p.InUse) }))
	r.Read("sapward_db_connections_most", "Most connections to the database.", "gauge", label, pools(func(p store.Pool) float64 { return float64(p.Most) }))
	r.Read("sapward_db_waits", "Times that a request waited for a connection.", "counter", label, pools(func(p store.Pool) float64 { return float64(p.Waits) }))
	r.Read("sapward_db_wait_seconds", "Time that requests waited for a connection.", "counter", label, pools(func(p store.Pool) float64 { return p.Waited.Seconds() }))
	within := func(f func(context.Context) (float64, bool)) func(metrics.Emit) {
		return func(emit metrics.Emit) {
			ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
			defer cancel()
			if x, ok := f(ctx); ok {
				emit(x)
			}
		}
	}
	r.Read("sapward_sessions", "Sessions of people that have not expired, on all servers.", "gauge", nil, within(func(ctx context.Context) (float64, bool) {
		n, err := s.SignedIn(ctx)
		return float64(n), err == nil
	}))
	r.Read("sapward_ready", "1 where the store can be worked with, else 0.", "gauge", nil, within(func(ctx context.Context) (float64, bool) {
		if s.Ready(ctx) != nil {
			return 0, true
		}
		return 1, true
	}))
	if s.Shared() {
		r.Read("sapward_news_heard", "1 while news from other servers arrive, else 0.", "gauge", nil, func(emit metrics.Emit) {
			if s.Hearing() {
				emit(1)
			} else {
				emit(0)
			}
		})
	}
}
