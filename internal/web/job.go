package web

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"time"

	"sapward/finding"
	"sapward/internal/app"
)

// job is the one long piece of work under way: it can be looked at and stopped,
// on this server and on those that share its facts.
type job struct {
	mu     sync.Mutex
	state  jobState
	cancel context.CancelFunc
}

// jobState is how a job stands.
type jobState struct {
	Running  bool             `json:"running"`
	Done, Of int64            `json:",omitempty"`
	Report   *app.CheckReport `json:"report,omitempty"`
	Fault    string           `json:"fault,omitempty"` // stopped, or the identifier of a fault
	At       time.Time        `json:"at"`
}

// How servers tell one another of a job (program defaults): every second; a
// server that says nothing for a minute is gone; what came out is shown for an
// hour.
const (
	waitingJob  = "job"
	jobTold     = time.Second
	jobGone     = time.Minute
	jobReported = time.Hour
)

const jobStopped = "stopped"

// job is how the check stands, wherever it runs; nil where there is none.
func (c *call) job() *jobView {
	s := c.s
	s.job.mu.Lock()
	st := s.job.state
	s.job.mu.Unlock()
	if s.app.Shared != nil && !st.Running {
		if w, ok, err := s.app.Shared.Waiting(c.r.Context(), waitingJob, "check"); err == nil && ok {
			var other jobState
			if json.Unmarshal(w.Data, &other) == nil && other.At.After(st.At) {
				st = other
			}
		}
	}
	return st.view(c.view)
}

// tell says to the other servers how a job stands. It reports false where one
// of them has stopped it.
func (s *Server) tell(ctx context.Context, first bool) bool {
	if s.app.Shared == nil {
		return true
	}
	s.job.mu.Lock()
	st := s.job.state
	s.job.mu.Unlock()
	if !first && st.Running {
		if _, ok, err := s.app.Shared.Waiting(ctx, waitingJob, "check"); err == nil && !ok {
			return false
		}
	}
	data, err := json.Marshal(st)
	life := jobReported
	if st.Running {
		life = jobGone
	}
	if err == nil {
		err = s.app.Shared.KeepWaiting(ctx, app.Waiting{Kind: waitingJob, Key: "check", Until: s.app.Now().Add(life), Data: data}, 1, 1)
	}
	if err != nil {
		s.log.Warn("other servers do not know of the check", slog.Any("err", err))
	}
	return true
}

type jobView struct {
	Running  bool
	Percent  int
	Done, Of int64
	Report   *app.CheckReport
	Findings []said
	Failed   string
	At       time.Time
}

func (j jobState) view(v *view) *jobView {
	if !j.Running && j.Report == nil && j.Fault == "" {
		return nil
	}
	out := &jobView{Running: j.Running, Done: j.Done, Of: j.Of, Report: j.Report, At: j.At, Percent: int(100 * j.Done / max(j.Of, 1))}
	switch {
	case j.Fault == jobStopped:
		out.Failed = v.T("web-check-stopped")
	case j.Fault != "":
		out.Failed = strings.Join(v.lines(finding.Faults{{Class: finding.Storage, ID: "web-storage"}}), " ")
	}
	if j.Report != nil {
		out.Findings = v.sayAll(j.Report.Findings)
	}
	return out
}

// startCheck verifies everything that is kept, in the background.
func (s *Server) startCheck(c *call) error {
	if !c.may("Check", "") {
		return &finding.Fault{Class: finding.Denied, ID: "web-denied"}
	}
	if v := c.job(); v != nil && v.Running {
		return c.jobPart()
	}
	j := &s.job
	j.mu.Lock()
	if !j.state.Running {
		ctx, cancel := context.WithCancel(context.WithoutCancel(c.r.Context()))
		j.state, j.cancel = jobState{Running: true, At: time.Now()}, cancel
		go s.check(ctx, c.actor, cancel)
	}
	j.mu.Unlock()
	return c.jobPart()
}

// check is the check itself.
func (s *Server) check(ctx context.Context, actor app.Actor, cancel context.CancelFunc) {
	defer cancel()
	j := &s.job
	s.tell(ctx, true)
	finished := make(chan struct{})
	told := make(chan struct{})
	go func() {
		defer close(told)
		tick := time.NewTicker(jobTold)
		defer tick.Stop()
		for {
			select {
			case <-finished:
				return
			case <-tick.C:
				if !s.tell(ctx, false) {
					cancel()
				}
			}
		}
	}()
	report, err := s.app.Check(ctx, actor, func(done, of int64) {
		j.mu.Lock()
		j.state.Done, j.state.Of = done, of
		j.mu.Unlock()
	})
	close(finished)
	<-told
	j.mu.Lock()
	j.state.Running = false
	switch {
	case err == nil:
		j.state.Report = &report
	case errors.Is(err, context.Canceled) || ctx.Err() != nil:
		j.state.Fault = jobStopped
	default:
		j.state.Fault = finding.AsFaults(err)[0].ID
		s.log.Error("check", slog.Any("err", err))
	}
	j.mu.Unlock()
	s.tell(context.WithoutCancel(ctx), false)
}

func (s *Server) stopCheck(c *call) error {
	if !c.may("Check", "") {
		return &finding.Fault{Class: finding.Denied, ID: "web-denied"}
	}
	s.job.mu.Lock()
	mine := s.job.state.Running
	if mine && s.job.cancel != nil {
		s.job.cancel()
	}
	s.job.mu.Unlock()
	if !mine && s.app.Shared != nil { // the server that runs it sees that it is gone
		if err := s.app.Shared.DropWaiting(c.r.Context(), waitingJob, ""); err != nil {
			return err
		}
	}
	return c.jobPart()
}

func (s *Server) checkState(c *call) error {
	if !c.may("Check", "") {
		return &finding.Fault{Class: finding.Denied, ID: "web-denied"}
	}
	return c.jobPart()
}

func (c *call) jobPart() error {
	if c.r.Header.Get("HX-Request") != "true" {
		http.Redirect(c.w, c.r, "/data#check", http.StatusSeeOther)
		return nil
	}
	c.D = dataPage{Job: c.job()}
	c.s.part(c.w, c.r, http.StatusOK, "data", "job", c.view)
	return nil
}
