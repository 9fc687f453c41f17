package web_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	mathrand "math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"

	"sapward/apply/fieldlog"
	"sapward/internal/app"
	"sapward/internal/demo"
	"sapward/internal/store"
	"sapward/internal/web"
)

// killApp wires an app over a data folder.
func killApp(m *store.Store) *app.App {
	return app.New(app.Config{Store: m, Keeper: m, Sessions: m, CardReader: reader{}, Tables: reader{}, Weather: reader{}, Follow: reader{}, Engine: "test", Now: time.Now, NewID: func() string { return uuid.Must(uuid.NewV7()).String() }, Random: rand.Reader})
}

// The child of TestPhones_ServerKilled serves a folder until it is killed.
func TestPhonesServerChild(t *testing.T) {
	dir, address := os.Getenv("SAPWARD_KILL_DATA"), os.Getenv("SAPWARD_KILL_LISTEN")
	if dir == "" {
		t.Skip("only as a child of TestPhones_ServerKilled")
	}
	m, err := store.Open(context.Background(), store.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	h, err := web.New(killApp(m), web.Options{Local: true, Version: "test", Tables: sheets{}})
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	_ = http.Serve(l, h)
}

// simPhone is one of many phones: it notes, sends, and forgets only what was
// confirmed by hash.
type simPhone struct {
	device, person, day, token string
	kept                       []json.RawMessage
	made                       []string
	seq                        int64
}

func (p *simPhone) note(tag string, port int, r *mathrand.Rand) error {
	p.seq++
	v := int64(1+r.IntN(20)) * 500
	e := fieldlog.Event{Schema: fieldlog.EventSchema, ID: uuid.Must(uuid.NewV7()).String(), Day: p.day, Device: p.device, Person: p.person, Seq: p.seq, At: time.Now().Format(time.RFC3339Nano), Kind: fieldlog.Load, Tree: tag, Port: port, VolumeUL: &v}
	if err := e.Check(); err != nil {
		return err
	}
	text, err := e.Canonical()
	p.kept, p.made = append(p.kept, text), append(p.made, e.ID)
	return err
}

var errDown = errors.New("server down")

func (p *simPhone) send(ctx context.Context, c *http.Client, base string) error {
	body, _ := json.Marshal(map[string]any{"cursor": int64(1) << 40, "events": p.kept})
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, base+"/phone/events", bytes.NewReader(body))
	if err != nil {
		return err
	}
	req.Header.Set("X-Sapward", "1")
	req.AddCookie(&http.Cookie{Name: "sapward-phone", Value: p.token})
	res, err := c.Do(req)
	if err != nil {
		return errDown
	}
	defer res.Body.Close()
	var out struct {
		Confirmed []app.Confirmed `json:"confirmed"`
		Refused   []struct {
			ID string `json:"id"`
		} `json:"refused"`
	}
	if err := json.NewDecoder(res.Body).Decode(&out); err != nil {
		return errDown
	}
	if res.StatusCode != http.StatusOK || len(out.Refused) > 0 {
		return fmt.Errorf("status %d, refused %v", res.StatusCode, out.Refused)
	}
	sure := map[string]bool{}
	for _, x := range out.Confirmed {
		sure[x.SHA256] = true
	}
	var left []json.RawMessage
	for _, raw := range p.kept {
		if sum := sha256.Sum256(raw); !sure[hex.EncodeToString(sum[:])] {
			left = append(left, raw)
		}
	}
	p.kept = left
	return nil
}

// Two hundred phones on one server that is killed again and again without
// warning: every note that was made is there at the end, once, and the chain is
// whole. SAPWARD_SOAK=1 makes it thirty notes a phone and sixty kills.
func TestPhones_ServerKilled(t *testing.T) {
	if testing.Short() {
		t.Skip("killing servers takes half a minute; run without -short")
	}
	phones, each, kills := 200, 20, 6
	if os.Getenv("SAPWARD_SOAK") == "1" {
		each, kills = 30, 60
	}
	ctx := t.Context()
	dir := t.TempDir()
	m, err := store.Open(ctx, store.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	a := killApp(m)
	if err := a.FillDemo(ctx, app.Local(), demo.Files()); err != nil {
		t.Fatal(err)
	}
	drafts, err := m.States(ctx, app.Query{Type: app.TypeDraft, Limit: 1})
	if err != nil || len(drafts) == 0 {
		t.Fatal(err)
	}
	day := openedDay(t, &stage{app: a, draft: drafts[0].ID})
	all := make([]*simPhone, phones)
	for i := range all {
		who := day.Facts.People[i%len(day.Facts.People)].ID
		_, code, err := a.AddPhone(ctx, app.Local(), day.ID, who)
		if err != nil {
			t.Fatal(err)
		}
		p, token, err := a.Join(ctx, app.Actor{}, code)
		if err != nil {
			t.Fatal(err)
		}
		all[i] = &simPhone{device: p.ID, person: who, day: day.ID, token: token}
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}

	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	base := "http://" + address
	var child *exec.Cmd
	start := func() {
		child = exec.Command(os.Args[0], "-test.run", "^TestPhonesServerChild$", "-test.timeout", "30m")
		child.Env = append(os.Environ(), "SAPWARD_KILL_DATA="+dir, "SAPWARD_KILL_LISTEN="+address)
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
	}
	start()
	defer func() { _ = child.Process.Kill(); _, _ = child.Process.Wait() }()

	client := &http.Client{Timeout: 20 * time.Second, Transport: &http.Transport{MaxIdleConnsPerHost: 50, MaxConnsPerHost: 50}}
	var group sync.WaitGroup
	var failed, sends atomic.Int64
	stop := make(chan struct{})
	errs := make(chan error, phones)
	for i, p := range all {
		group.Add(1)
		go func() {
			defer group.Done()
			r := mathrand.New(mathrand.NewPCG(uint64(i), 3))
			for n := 0; n < each || len(p.kept) > 0; {
				for k := 0; k < 3 && n < each; k, n = k+1, n+1 {
					if err := p.note(day.Facts.Trees[r.IntN(len(day.Facts.Trees))], 1+r.IntN(4), r); err != nil {
						errs <- err
						return
					}
				}
				switch err := p.send(ctx, client, base); {
				case errors.Is(err, errDown):
					failed.Add(1)
				case err != nil:
					errs <- err
					return
				default:
					sends.Add(1)
				}
				select {
				case <-stop:
					errs <- errors.New("stopped before the outbox was empty")
					return
				case <-time.After(time.Duration(20+r.IntN(200)) * time.Millisecond):
				}
			}
		}()
	}
	done := make(chan struct{})
	go func() { group.Wait(); close(done) }()
	killed := 0
	for running := true; running; {
		select {
		case <-done:
			running = false
		case <-time.After(time.Duration(600+mathrand.IntN(900)) * time.Millisecond):
			if killed < kills {
				_ = child.Process.Kill()
				_, _ = child.Process.Wait()
				killed++
				start()
			}
		case <-time.After(8 * time.Minute):
			close(stop)
			<-done
			running = false
		}
	}
	close(errs)
	for err := range errs {
		t.Error(err)
	}
	_ = child.Process.Kill()
	_, _ = child.Process.Wait()

	if m, err = store.Open(ctx, store.Options{Dir: dir}); err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	a = killApp(m)
	v, err := a.Day(ctx, app.Local(), day.ID)
	if err != nil {
		t.Fatal(err)
	}
	missing := 0
	for _, p := range all {
		for _, id := range p.made {
			if _, ok := v.Log.Has(id); !ok {
				missing++
			}
		}
	}
	if missing > 0 || v.State.Events != phones*each || len(v.State.Gaps) > 0 {
		t.Errorf("%d notes missing of %d, %d kept, gaps %d", missing, phones*each, v.State.Events, len(v.State.Gaps))
	}
	r, err := a.Check(ctx, app.Local(), nil)
	if err != nil || len(r.Findings) > 0 {
		t.Errorf("check: %+v (%v)", r.Findings, err)
	}
	t.Logf("%d phones, %d notes, %d kills, %d exchanges answered, %d broken off", phones, v.State.Events, killed, sends.Load(), failed.Load())
	if killed == 0 || failed.Load() == 0 {
		t.Error("no kill ever hit an exchange")
	}
}
