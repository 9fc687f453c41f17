package web

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"

	"sapward/finding"
	"sapward/follow/trial"
	"sapward/internal/app"
	"sapward/internal/lang"
	"sapward/internal/report"
	q "sapward/measure/quantity"
)

// powerJobs are the simulations of power, one a person, one after the other:
// each takes all processors. They can be looked at and stopped.
type powerJobs struct {
	mu   sync.Mutex
	by   map[string]*powerJob // by person and block
	turn chan struct{}
}

// mostPowerJobs bounds the answers kept (program default).
const mostPowerJobs = 64

type powerJob struct {
	mu       sync.Mutex
	running  bool
	done, of int64
	cancel   context.CancelFunc
	report   *trial.PowerReport
	names    []string
	err      error
}

func (j *powerJobs) get(person, block string) *powerJob {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.by[person+" "+block]
}

// start begins a simulation; one of the same person that is under way is
// stopped.
func (j *powerJobs) start(person, block string, names []string, run func(context.Context, func(done, of int64)) (trial.PowerReport, error)) {
	ctx, cancel := context.WithCancel(context.Background())
	job := &powerJob{running: true, names: names, cancel: cancel}
	j.mu.Lock()
	if j.by == nil || len(j.by) >= mostPowerJobs {
		for _, old := range j.by {
			old.cancel()
		}
		j.by = map[string]*powerJob{}
	}
	if j.turn == nil {
		j.turn = make(chan struct{}, 1)
	}
	for key, old := range j.by {
		if strings.HasPrefix(key, person+" ") {
			old.cancel()
		}
	}
	j.by[person+" "+block] = job
	turn := j.turn
	j.mu.Unlock()
	go func() {
		defer cancel()
		var r trial.PowerReport
		err := ctx.Err()
		select {
		case turn <- struct{}{}:
			r, err = run(ctx, func(done, of int64) {
				job.mu.Lock()
				job.done, job.of = done, of
				job.mu.Unlock()
			})
			<-turn
		case <-ctx.Done():
			err = ctx.Err()
		}
		job.mu.Lock()
		defer job.mu.Unlock()
		job.running, job.err = false, err
		if err == nil {
			job.report = &r
		}
	}()
}

// powerPage asks how many trees a trial needs and shows the answer.
type powerPage struct {
	Here      string
	Block     app.Block
	Form      form
	Job       *powerView
	Variation []string
	Days      []option
	Day       string
}

type powerView struct {
	Here    string
	Running bool
	Percent int
	Failed  []string
	Answer  string
	Lines   []string
	Notes   []string
	Heads   []string
	Rows    [][]string
	Hint    string
}

// trialPower shows the form, and what was worked out last.
func (s *Server) trialPower(c *call) error {
	p, trail, err := c.powerPage()
	if err != nil {
		return err
	}
	return c.show("trialpower", c.T("trialweb-power"), p, trail...)
}

func (c *call) powerPage() (*powerPage, []crumb, error) {
	ctx := c.r.Context()
	b, err := c.s.app.Block(ctx, c.actor, c.id())
	if err != nil {
		return nil, nil, err
	}
	if !c.may("TrialPower", b.Estate.ID) {
		return nil, nil, &finding.Fault{Class: finding.Denied, ID: "web-denied"}
	}
	p := &powerPage{Here: "/blocks/" + b.ID + "/trials/power", Block: b.Block, Job: c.powerView(b.ID)}
	v, err := c.s.app.TrialVariation(ctx, c.actor, b.ID, c.field("rated"))
	fs, bad := usable(err)
	if err != nil && !bad {
		return nil, nil, err
	}
	for i := len(v.Days) - 1; i >= 0; i-- {
		p.Days = append(p.Days, option{v.Days[i], v.Days[i]})
	}
	p.Day = v.On
	if bad {
		p.Variation = c.lines(fs)
	} else {
		p.Variation = c.variation(v)
	}
	p.Form = c.powerForm(p.Here, v)
	return p, append(c.blockTrail(b.Estate, b.Block), crumb{c.T("trialweb-title"), "/blocks/" + b.ID + "/trials"}), nil
}

// variation says what the ratings of a visit tell.
func (c *call) variation(v app.Variation) []string {
	lines := []string{c.S("trialweb-vary-from", "trees", v.Trees, "on", v.On, "df", v.DF)}
	if v.Trial != "" {
		lines = append(lines, c.S("trialweb-vary-trial", "trial", v.Trial))
	} else {
		lines = append(lines, c.S("trialweb-vary-runs", "n", v.Run))
	}
	if v.Single {
		lines = append(lines, c.T("trialweb-vary-single"))
	}
	return lines
}

// powerForm asks for what is simulated; what the user's own ratings tell is
// filled in.
func (c *call) powerForm(here string, v app.Variation) form {
	sd := func(p *float64) string {
		if p == nil {
			return ""
		}
		return lang.Figure(*p, 1)
	}
	var means []string
	for _, m := range v.Means {
		if m.Treatment != "" && len(v.Means) > 1 {
			means = append(means, m.Treatment+" "+lang.Figure(m.Mean, 0))
		}
	}
	posted := c.r.Method == http.MethodPost
	in := func(name, label, value, kind, hint string, options ...option) input {
		if posted {
			value = c.field(name)
		}
		i := input{Name: name, Label: label, Value: value, Kind: kind, Options: options}
		if hint != "" {
			i.Hint = c.T(hint)
		}
		return i
	}
	f := form{Name: "power", Action: here, Submit: c.T("trialweb-power-do"), Once: true, Wide: true, Inputs: []input{
		in("means", c.L("field-means"), strings.Join(means, "\n"), "textarea", "trialweb-means-hint"),
		in("outcome", c.L("field-outcome"), "percent", "select", "", option{"percent", c.T("trialweb-outcome-percent")}, option{"share", c.T("trialweb-outcome-share")}, option{"number", c.T("trialweb-outcome-number")}),
		in("tree-sd", c.L("field-tree-sd"), sd(v.TreeSD), "number", "trialweb-sd-hint"),
		in("plot-sd", c.L("field-plot-sd"), sd(v.PlotSD), "number", ""),
		in("block-sd", c.L("field-block-sd"), sd(v.BlockSD), "number", ""),
		in("trees-per-plot", c.L("field-trees-per-plot"), "1", "number", ""),
		in("loss", c.L("field-loss"), "5", "number", "trialweb-loss-hint"),
		in("target", c.L("field-target"), "80", "number", "trialweb-target-hint"),
		in("from", c.L("field-from"), "2", "number", ""),
		in("to", c.L("field-to"), "20", "number", "trialweb-to-hint"),
	}}
	for i := range f.Inputs {
		switch f.Inputs[i].Name {
		case "loss", "target":
			f.Inputs[i].Unit = "%"
		case "means":
			f.Inputs[i].Needed = true
		}
	}
	return f
}

// powerTyped reads the form.
func (c *call) powerTyped() (r trial.PowerRequest, names []string, faults finding.Faults) {
	number := func(field string, otherwise float64) float64 {
		text := strings.TrimSuffix(c.field(field), "%")
		if text == "" {
			return otherwise
		}
		v, fault := q.Number(strings.TrimSpace(text))
		if fault != nil {
			faults = append(faults, fieldFault("web-number-needed", field))
			return otherwise
		}
		return v.Float()
	}
	for _, line := range strings.FieldsFunc(c.field("means"), func(r rune) bool { return r == '\n' || r == '\r' || r == ',' || r == ';' }) {
		words := strings.Fields(line)
		if len(words) == 0 {
			continue
		}
		v, fault := q.Number(strings.TrimSuffix(words[len(words)-1], "%"))
		if fault != nil {
			faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "trialweb-mean-unclear", Args: finding.Args{"text": finding.Text(line), "field_by": finding.Text("field-means")}})
			continue
		}
		name := strings.Join(words[:len(words)-1], " ")
		if name == "" {
			name = pick(len(names) == 0, c.T("trialweb-untreated"), c.S("trial-treatment-n", "n", len(names)))
		}
		names = append(names, name)
		r.Means = append(r.Means, v.Float())
	}
	if len(faults) == 0 && len(r.Means) > 1 && slices.Min(r.Means) == slices.Max(r.Means) {
		faults = append(faults, fieldFault("trialweb-means-alike", "means"))
	}
	r.Design, r.Outcome, r.Seed, r.Sims = trial.RCBD, trial.Outcome(orElse(c.field("outcome"), "percent")), 1, 1000
	r.TreeSD, r.PlotSD, r.BlockSD = number("tree-sd", 0), number("plot-sd", 0), number("block-sd", 0)
	r.TreesPerPlot, r.From, r.To = int(number("trees-per-plot", 1)), int(number("from", 2)), int(number("to", 20))
	r.Loss, r.Target = number("loss", 0)/100, number("target", 80)/100
	return r, names, faults
}

// startPower begins the simulation.
func (s *Server) startPower(c *call) error {
	p, trail, err := c.powerPage()
	if err != nil {
		return err
	}
	r, names, faults := c.powerTyped()
	if err = faults.OrNil(); err == nil {
		// What is wrong is said before anything runs.
		dry := r
		dry.Sims = 100
		if r.From >= 2 && r.To >= r.From && r.To <= app.MostReplicates {
			dry.To = r.From
		}
		_, err = s.app.TrialPower(c.r.Context(), c.actor, p.Block.ID, dry, nil)
	}
	if err != nil {
		fs, bad := usable(err)
		if !bad {
			return err
		}
		c.wrong(&p.Form, fs)
		return c.again("trialpower", c.T("trialweb-power"), p, trail...)
	}
	actor, block := c.actor, p.Block.ID
	s.power.start(actor.Person, block, names, func(ctx context.Context, progress func(done, of int64)) (trial.PowerReport, error) {
		return s.app.TrialPower(ctx, actor, block, r, progress)
	})
	return c.powerPart(p.Here, block)
}

func (s *Server) powerState(c *call) error {
	return c.powerPart("/blocks/"+c.id()+"/trials/power", c.id())
}

func (s *Server) stopPower(c *call) error {
	if j := s.power.get(c.actor.Person, c.id()); j != nil {
		j.cancel()
	}
	return c.powerPart("/blocks/"+c.id()+"/trials/power", c.id())
}

func (c *call) powerPart(here, block string) error {
	if c.r.Header.Get("HX-Request") != "true" {
		http.Redirect(c.w, c.r, here+"#power-answer", http.StatusSeeOther)
		return nil
	}
	c.D = &powerPage{Here: here, Job: c.powerView(block)}
	c.s.part(c.w, c.r, http.StatusOK, "trialpower", "power-job", c.view)
	return nil
}

// powerView puts the state of the simulation into words.
func (c *call) powerView(block string) *powerView {
	j := c.s.power.get(c.actor.Person, block)
	if j == nil {
		return nil
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	v := &powerView{Here: "/blocks/" + block + "/trials/power", Running: j.running, Percent: int(100 * j.done / max(j.of, 1))}
	switch {
	case errors.Is(j.err, context.Canceled):
		v.Failed = []string{c.T("trialweb-power-stopped")}
	case j.err != nil:
		v.Failed = c.lines(finding.AsFaults(j.err))
	case j.report != nil:
		d := c.trialWriter().Power(j.names, *j.report)
		v.Answer, v.Lines = d.Meaning[0], append([]string{d.MeansText()}, d.Meaning[1:]...)
		for _, n := range d.Notes {
			v.Notes = append(v.Notes, c.T("severity-"+string(n.Severity))+": "+n.Text)
		}
		v.Heads = []string{c.T("trial-col-replicates"), ">" + c.T("col-trees"), ">" + c.T("trial-col-all"), c.T("col-interval"), ">" + c.T("trial-col-any"), ">" + c.T("trial-col-f")}
		pct := func(x float64) string { return lang.Fixed(100*x, 1) + " %" }
		for _, x := range d.Points {
			low, high := 100*x.AllLow, 100*x.AllHigh
			v.Rows = append(v.Rows, []string{strconv.Itoa(x.Replicates), strconv.Itoa(x.Trees), pct(x.All), report.TrialInterval(c.Printer, &low, &high, 3), pct(x.Any), pct(x.FPower)})
		}
		v.Hint = c.T("trial-power-columns")
	}
	return v
}
