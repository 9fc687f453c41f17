package cli

import (
	"context"
	"crypto/tls"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"
	"time"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/demo"
	"sapward/internal/metrics"
	"sapward/internal/store"
	"sapward/internal/web"
)

// listenOptions say where and how the app is served.
type listenOptions struct {
	Listen      string `help:"Address. On this machine alone (127.0.0.1) nobody signs in; anywhere else everybody does." default:"127.0.0.1:8080"`
	Cert        string `help:"TLS certificate file (PEM)."`
	Key         string `help:"TLS key file (PEM)."`
	BehindProxy bool   `name:"behind-proxy" help:"A TLS proxy stands in front: cookies are marked secure."`
	Backups     string `help:"Folder for backups from the pages (default: backups beside the data)."`
	authorityOptions
}

type serveCmd struct {
	dataOption
	listenOptions
	operateOptions
}

// Run serves until it is told to stop.
func (c serveCmd) Run(e *env) error {
	if c.Database != "" && c.Data != "" {
		// The folder is then for what is this server's own: its authority. Facts in it
		// would lie there unseen.
		if _, err := os.Stat(filepath.Join(c.Data, "sapward.db")); err == nil {
			return usage("serve-data-and-database", finding.Args{"folder": finding.Text(c.Data), "database": finding.Text(store.Shown(c.Database))})
		}
		e.println(e.say.Say("serve-own-folder", finding.Args{"folder": finding.Text(c.Data), "database": finding.Text(store.Shown(c.Database))}))
	}
	return c.serve(e, serving{data: c.folder(), database: c.Database, operate: c.operateOptions})
}

// serving says what is served, and how.
type serving struct {
	data, database string
	fill           bool // with the demo estate
	operate        operateOptions
}

// serve opens the data and answers the browser until the process is told to
// stop. With a database the folder holds only what is this server's own.
func (o listenOptions) serve(e *env, x serving) error {
	started := time.Now()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	host, _, err := net.SplitHostPort(o.Listen)
	if err != nil {
		return o.cannot(err)
	}
	// Behind a proxy everybody comes from this machine: loopback says nothing then.
	ip := net.ParseIP(host)
	local := (host == "localhost" || ip != nil && ip.IsLoopback()) && !o.BehindProxy
	if err := o.checkAuthority(); err != nil {
		return err
	}
	if err := x.operate.check(o); err != nil {
		return err
	}
	secured := o.Cert != "" && o.Key != "" || o.LocalAuthority
	if !local && !secured && !o.BehindProxy {
		return usage("serve-plain", finding.Args{"address": finding.Text(o.Listen)})
	}
	log := x.operate.logger(e)
	place := x.database
	if place == "" {
		place = x.data
	}
	a, s, err := openApp(ctx, place, false)
	if err != nil {
		return err
	}
	defer s.Close()
	if x.fill {
		if err := a.FillDemo(ctx, app.Local(), demo.Files()); err != nil {
			return err
		}
	}
	l, err := net.Listen("tcp", o.Listen)
	if err != nil {
		return o.cannot(err)
	}
	defer l.Close()
	trust, err := o.openAuthority(x.data, l.Addr())
	if err != nil {
		return err
	}
	stopping := make(chan struct{})
	counts := metrics.New()
	options := web.Options{
		Local: local, TLS: secured || o.BehindProxy, Version: Version, BackupDir: o.backups(x), Tables: tablesOut{}, Log: log,
		Metrics: counts, LogAddresses: x.operate.LogAddresses, ProxyHeader: x.operate.ProxyHeader, Ready: s.Ready, Stopping: stopping,
	}
	if trust != nil {
		options.Trust = trust.page
	}
	handler, err := web.New(a, options)
	if err != nil {
		return err
	}
	done := make(chan error, 3)
	end, err := x.operate.begin(operating{e: e, ctx: ctx, store: s, counts: counts, log: log, handler: handler, started: started, done: done})
	if err != nil {
		return err
	}
	defer end()
	scheme := "http"
	server := &http.Server{Handler: handler, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 2 * time.Minute, WriteTimeout: 10 * time.Minute, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 64 << 10, ErrorLog: slog.NewLogLogger(noAddresses{log.Handler()}, slog.LevelDebug)}
	switch {
	case trust != nil:
		l, scheme = tls.NewListener(l, trust.authority.TLS()), "https"
	case secured:
		pair, err := tls.LoadX509KeyPair(o.Cert, o.Key)
		if err != nil {
			return o.cannot(err)
		}
		l, scheme = tls.NewListener(l, &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}), "https"
	}
	url := scheme + "://" + l.Addr().String()
	if at, port, err := net.SplitHostPort(l.Addr().String()); trust != nil && err == nil {
		url = scheme + "://" + net.JoinHostPort(trust.reached(at), port)
	}
	e.println(e.say.Say("serve-listening", finding.Args{"url": finding.Text(url), "folder": finding.Text(store.Shown(place))}))
	if !local {
		token, err := a.FirstOwnerToken(ctx, app.Local())
		if err != nil {
			return err
		}
		if token != "" {
			e.println(e.say.Say("serve-token", finding.Args{"url": finding.Text(url), "token": finding.Text(token)}))
		}
	}
	if trust != nil {
		end, err := trust.serve(e, o, done)
		if err != nil {
			return err
		}
		defer end()
	}
	log.Info("started", slog.String("version", Version), slog.Bool("database", x.database != ""), slog.Float64("after_s", time.Since(started).Seconds()))
	go func() { done <- server.Serve(l) }()
	select {
	case err := <-done:
		return o.cannot(err)
	case <-ctx.Done():
	}
	stop() // a second signal ends the process at once
	return x.operate.stop(server, stopping, log)
}

// backups is the folder that the pages put backups in.
func (o listenOptions) backups(x serving) string {
	switch {
	case o.Backups != "":
		return o.Backups
	case x.operate.BackupTo != "":
		return x.operate.BackupTo
	}
	data := filepath.Clean(x.data)
	return filepath.Join(filepath.Dir(data), filepath.Base(data)+"-backups")
}

func (o listenOptions) cannot(err error) error {
	return finding.Faults{{Class: finding.Usage, ID: "serve-cannot", Cause: err, Args: finding.Args{"address": finding.Text(o.Listen), "reason": finding.Text(reason(err))}}}
}
