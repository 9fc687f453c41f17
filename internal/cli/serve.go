package cli

import (
	"context"
	"crypto/tls"
	"errors"
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
	Data string `help:"Data folder, made if it is not there." default:"sapward-data" env:"SAPWARD_DATA"`
	databaseOption
	listenOptions
}

// Run serves until it is told to stop.
func (c serveCmd) Run(e *env) error { return c.serve(e, c.Data, c.Database, false) }

// serve opens the data and answers the browser until the process is told to
// stop; fill puts the demo estate in first. With a database the folder holds only
// what is this server's own.
func (o listenOptions) serve(e *env, data, database string, fill bool) error {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	host, _, err := net.SplitHostPort(o.Listen)
	if err != nil {
		return o.cannot(err)
	}
	ip := net.ParseIP(host)
	local := host == "localhost" || ip != nil && ip.IsLoopback()
	if err := o.checkAuthority(); err != nil {
		return err
	}
	secured := o.Cert != "" && o.Key != "" || o.LocalAuthority
	if !local && !secured && !o.BehindProxy {
		return usage("serve-plain", finding.Args{"address": finding.Text(o.Listen)})
	}
	place := databaseOption{database}.or(data)
	a, s, err := openApp(ctx, place, false)
	if err != nil {
		return err
	}
	defer s.Close()
	if fill {
		if err := a.FillDemo(ctx, app.Local(), demo.Files()); err != nil {
			return err
		}
	}
	backups := o.Backups
	if backups == "" {
		backups = filepath.Join(filepath.Dir(filepath.Clean(data)), filepath.Base(filepath.Clean(data))+"-backups")
	}
	if database != "" {
		backups = "" // pg_dump copies a database
	}
	l, err := net.Listen("tcp", o.Listen)
	if err != nil {
		return o.cannot(err)
	}
	defer l.Close()
	trust, err := o.openAuthority(data, l.Addr())
	if err != nil {
		return err
	}
	options := web.Options{Local: local, TLS: secured || o.BehindProxy, Version: Version, BackupDir: backups, Tables: tablesOut{}, Log: slog.New(slog.NewTextHandler(e.stderr, nil))}
	if trust != nil {
		options.Trust = trust.page
	}
	handler, err := web.New(a, options)
	if err != nil {
		return err
	}
	scheme := "http"
	server := &http.Server{Handler: handler, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 2 * time.Minute, WriteTimeout: 10 * time.Minute, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 64 << 10}
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
	done := make(chan error, 2)
	if trust != nil {
		end, err := trust.serve(e, o, done)
		if err != nil {
			return err
		}
		defer end()
	}
	go func() { done <- server.Serve(l) }()
	select {
	case err := <-done:
		return o.cannot(err)
	case <-ctx.Done():
	}
	end, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if err := server.Shutdown(end); err != nil && !errors.Is(err, context.DeadlineExceeded) {
		return o.cannot(err)
	}
	return nil
}

func (o listenOptions) cannot(err error) error {
	return finding.Faults{{Class: finding.Usage, ID: "serve-cannot", Cause: err, Args: finding.Args{"address": finding.Text(o.Listen), "reason": finding.Text(reason(err))}}}
}
