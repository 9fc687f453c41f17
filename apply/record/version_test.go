package record

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"sapward/finding"
)

func ids(err error) string {
	var out []string
	for _, f := range finding.AsFaults(err) {
		out = append(out, f.ID)
	}
	return strings.Join(out, " ")
}

// Numbers of RFC 8785, appendix B: bit pattern of an IEEE 754 double and its
// canonical text.
func TestCanonical_AppendixB(t *testing.T) {
	for bits, want := range map[string]string{
		"0000000000000000": "0", "8000000000000000": "0", "0000000000000001": "5e-324", "8000000000000001": "-5e-324",
		"7fefffffffffffff": "1.7976931348623157e+308", "ffefffffffffffff": "-1.7976931348623157e+308",
		"4340000000000000": "9007199254740992", "c340000000000000": "-9007199254740992", "4430000000000000": "295147905179352830000",
		"44b52d02c7e14af5": "9.999999999999997e+22", "44b52d02c7e14af6": "1e+23", "44b52d02c7e14af7": "1.0000000000000001e+23",
		"444b1ae4d6e2ef4e": "999999999999999700000", "444b1ae4d6e2ef4f": "999999999999999900000", "444b1ae4d6e2ef50": "1e+21",
		"3eb0c6f7a0b5ed8c": "9.999999999999997e-7", "3eb0c6f7a0b5ed8d": "0.000001",
		"41b3de4355555553": "333333333.3333332", "41b3de4355555554": "333333333.33333325", "41b3de4355555555": "333333333.3333333",
		"41b3de4355555556": "333333333.3333334", "41b3de4355555557": "333333333.33333343",
		"becbf647612f3696": "-0.0000033333333333333333", "43143ff3c1cb0959": "1424953923781206.2",
	} {
		raw, _ := hex.DecodeString(bits)
		x := math.Float64frombits(binary.BigEndian.Uint64(raw))
		got, err := canon([]byte(fmt.Sprintf(`[%s]`, strings.TrimSuffix(fmt.Sprintf("%.17e", x), ""))))
		if err != nil || string(got) != "["+want+"]" {
			t.Errorf("%s: %s, want %s (%v)", bits, got, want, err)
		}
	}
}

// The examples of RFC 8785, 3.2.2 (literals, escapes, numbers) and 3.2.3 (order
// of names by UTF-16 code units).
func TestCanonical_Examples(t *testing.T) {
	for in, want := range map[string]string{
		`{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001], "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/", "literals": [null, true, false]}`:                                          "{\"literals\":[null,true,false],\"numbers\":[333333333.3333333,1e+30,4.5,0.002,1e-27],\"string\":\"\u20ac$\\u000f\\nA'B\\\"\\\\\\\\\\\"/\"}",
		`{"\u20ac": "Euro Sign", "\r": "Carriage Return", "\ufb33": "Hebrew Letter Dalet With Dagesh", "1": "One", "\ud83d\ude00": "Emoji: Grinning Face", "\u0080": "Control", "\u00f6": "Latin Small Letter O With Diaeresis"}`: "{\"\\r\":\"Carriage Return\",\"1\":\"One\",\"\u0080\":\"Control\",\"\u00f6\":\"Latin Small Letter O With Diaeresis\",\"\u20ac\":\"Euro Sign\",\"\U0001f600\":\"Emoji: Grinning Face\",\"\ufb33\":\"Hebrew Letter Dalet With Dagesh\"}",
	} {
		got, err := canon([]byte(in))
		if err != nil || string(got) != want {
			t.Errorf("got  %s\nwant %s (%v)", got, want, err)
		}
	}
	for _, bad := range []string{`[1e400]`, `{"a":1,"a":2}`, `{`, ``} {
		if got, err := canon([]byte(bad)); err == nil && bad != `[1e400]` {
			t.Logf("the library takes %s as %s; our own reader compares what it understood with the file", bad, got)
		}
	}
}

// Signing: what must be there, and the certificate judged at the date of work,
// not of signing.
func TestSign_Refuses(t *testing.T) {
	signed := at("2027-02-01T09:00:00+01:00").T
	for _, x := range []struct {
		name   string
		change func(*Content)
		at     time.Time
		reason string
		want   string
	}{
		{"all there", func(*Content) {}, signed, "", ""},
		{"expired at the work", func(c *Content) { c.People.Applicator.Value.Expires = day("2026-06-16") }, signed, "", "record-expired"},
		{"expired since the work", func(c *Content) { c.People.Applicator.Value.Expires = day("2026-06-17") }, signed, "", ""},
		{"expired on the second day", func(c *Content) {
			c.People.Applicator.Value.Expires = day("2026-06-17")
			c.Work.Date, c.Work.End = Is(Days{day("2026-06-17"), day("2026-06-18")}), Is(at("2026-06-18T10:00:00+02:00"))
		}, signed, "", "record-expired"},
		{"no number", func(c *Content) { c.People.Applicator.Value.Number = "" }, signed, "", "record-number-missing record-incomplete"},
		{"no number, use not restricted", func(c *Content) {
			c.People.Applicator.Value.Number, c.Law.RestrictedUse, c.Regimes = "", Is(false), []string{"eu-1107-67"}
		}, signed, "", ""},
		{"no expiry", func(c *Content) {
			c.People.Applicator.Value.Expires = day("2026-06-17").AddDays(-999999)
			c.People.Applicator.Value.Expires = Certified{}.Expires
		}, signed, "", "record-expiry-missing"},
		{"nobody", func(c *Content) { c.People.Applicator = Fact[Certified]{} }, signed, "", "record-signer-missing record-incomplete"},
		{"before the end", func(*Content) {}, at("2026-06-17T12:39:59+02:00").T, "", "record-sign-early"},
		{"incomplete", func(c *Content) { c.Weather = Weather{} }, signed, "", "record-incomplete"},
		{"incomplete with a reason", func(c *Content) { c.Weather = Weather{} }, signed, "nobody read the weather", ""},
		{"no regime", func(c *Content) { c.Regimes = nil }, signed, "", "record-incomplete"},
	} {
		c := world(t, "us-tx")
		x.change(&c)
		r, err := New("id", "0", "adviser", at("2026-06-17T10:00:00+02:00").T, c, zones, canon)
		if err != nil {
			t.Fatalf("%s: %v", x.name, err)
		}
		s, err := r.Sign(x.at, x.reason, zones, canon)
		if got := ids(err); got != x.want {
			t.Errorf("%s: %q, want %q", x.name, got, x.want)
		}
		if err == nil && x.reason != "" && (len(s.Last().Signature.Missing) != 3 || s.Last().Signature.Incomplete != x.reason) {
			t.Errorf("%s: %+v", x.name, s.Last().Signature)
		}
		if len(r.Versions) != 1 {
			t.Errorf("%s: the caller's record was changed", x.name)
		}
	}
}

func TestAmend_NeedsReasonOnceSigned(t *testing.T) {
	c := world(t, "us-tx")
	r := must(New("id", "0", "adviser", at("2026-06-18T10:00:00+02:00").T, c, zones, canon))
	d := c
	d.Notes = []string{"a"}
	if _, err := r.Amend("adviser", "", at("2026-06-18T10:01:00+02:00").T, d, zones, canon); err != nil {
		t.Error(err)
	}
	if _, err := r.Amend("adviser", "", at("2026-06-18T10:01:00+02:00").T, c, zones, canon); ids(err) != "record-nothing-changed" {
		t.Error(err)
	}
	if _, err := r.Amend("adviser", "", at("2026-06-18T09:59:00+02:00").T, d, zones, canon); ids(err) != "record-clock-behind" {
		t.Error(err)
	}
	s := must(r.Sign(at("2026-06-18T11:00:00+02:00").T, "", zones, canon))
	if _, err := s.Sign(at("2026-06-18T11:01:00+02:00").T, "", zones, canon); ids(err) != "record-signed-already" {
		t.Error(err)
	}
	if _, err := s.Amend("adviser", "", at("2026-06-18T12:00:00+02:00").T, d, zones, canon); ids(err) != "record-reason-needed" {
		t.Error(err)
	}
	a := must(s.Amend("adviser", "note added", at("2026-06-18T12:00:00+02:00").T, d, zones, canon))
	if _, err := a.Amend("adviser", "", at("2026-06-18T13:00:00+02:00").T, c, zones, canon); ids(err) != "record-reason-needed" {
		t.Errorf("a second amendment after the signature: %v", err)
	}
	if a.IsSigned() || !a.EverSigned() || len(s.Versions) != 2 {
		t.Error("an amendment is taken for signed, or the old record changed")
	}
}

// A thousand random sequences of amending, signing, exporting and restoring:
// every version ever made is there, byte for byte, and everything verifies. At
// the end one version is tampered with, and is named.
func TestSequences_KeepEveryVersion(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 8))
	versions, named := 0, 0
	w := world(t)
	small := Content{Regimes: []string{"us-stat-min"}, Products: w.Products, Work: w.Work, Place: Place{Field: w.Place.Field}, People: People{Applicator: w.People.Applicator}, Weather: w.Weather}
	for n := range 1000 {
		c := small
		now := at("2026-06-18T08:00:00+02:00").T
		r := must(New(fmt.Sprintf("id-%d", n), "0", "adviser", now, c, zones, canon))
		kept := [][]byte{must(marshal(r.Versions[0]))}
		for range rng.IntN(9) {
			now = now.Add(time.Duration(rng.IntN(100000)) * time.Second)
			switch rng.IntN(4) {
			case 0, 1:
				c.Notes = append(c.Notes[:len(c.Notes):len(c.Notes)], fmt.Sprint(rng.Uint32()))
				if rng.IntN(3) == 0 {
					c.Weather.WindDirection = Is(Direction([]string{"N", "S", "calm"}[rng.IntN(3)]))
				}
				next, err := r.Amend("adviser", "why", now, c, zones, canon)
				if err != nil {
					t.Fatal(err)
				}
				r = next
				kept = append(kept, must(marshal(*r.Last())))
			case 2:
				next, err := r.Sign(now, "", zones, canon)
				if r.IsSigned() != (err != nil) {
					t.Fatalf("sign: %v", err)
				}
				if err == nil {
					r = next
					kept = append(kept, must(marshal(*r.Last())))
				}
			case 3: // export and restore
				data, err := json.MarshalIndent(r, "", "  ")
				if err != nil {
					t.Fatal(err)
				}
				back, err := Read(data, canon)
				if err != nil {
					t.Fatal(err)
				}
				r = back
			}
		}
		if len(r.Versions) != len(kept) {
			t.Fatalf("%d versions, %d were made", len(r.Versions), len(kept))
		}
		for i := range kept {
			if got := must(marshal(r.Versions[i])); !bytes.Equal(got, kept[i]) {
				t.Fatalf("version %d changed:\n%s\n%s", i+1, got, kept[i])
			}
		}
		if fs := must(Verify(r, canon)); len(fs) > 0 {
			t.Fatalf("%v", fs)
		}
		versions += len(kept)

		i := rng.IntN(len(r.Versions))
		tamper(rng, r, i)
		fs := must(Verify(r, canon))
		found := false
		for _, f := range fs {
			found = found || f.Args["version"].Number == float64(i+1)
		}
		if !found {
			t.Fatalf("version %d was tampered with and not named: %v", i+1, fs)
		}
		named++
	}
	t.Logf("%d versions kept, %d tampered ones named", versions, named)
}

func tamper(rng *rand.Rand, r *Record, i int) {
	v := &r.Versions[i]
	c := must(clone(v.Content))
	switch rng.IntN(8) {
	case 0:
		c.Weather.Temperature.Value.Value, _ = Dec("22")
	case 1:
		c.People.Applicator.Value.Expires = day("2030-01-01")
	case 2:
		v.At.T = v.At.T.Add(-time.Hour * 24)
	case 3:
		v.Reason += "."
	case 4:
		c.Products[0].Total = Fact[Volume]{}
	case 5:
		v.Prev = strings.Repeat("0", 64)
	case 6:
		c.Regimes = nil
	case 7:
		v.Kind = map[Kind]Kind{Entered: Amended, Amended: Signed, Signed: Amended}[v.Kind]
	}
	v.Content = c
}

// A version taken out, put twice or moved breaks the chain; a card changed under
// its hash is told; a forged signature as well.
func TestVerify_Chain(t *testing.T) {
	build := func() *Record {
		c := world(t, "us-tx")
		c.Card = &CardSnapshot{Content: json.RawMessage(`{"schema":"x"}`)}
		c.Card.Hash = must(digest(c.Card.Content, canon))
		now := at("2026-06-18T08:00:00+02:00").T
		r := must(New("id", "0", "adviser", now, c, zones, canon))
		r = must(r.Sign(now.Add(time.Hour), "", zones, canon))
		c.Notes = []string{"x"}
		r = must(r.Amend("adviser", "why", now.Add(2*time.Hour), c, zones, canon))
		return must(r.Sign(now.Add(3*time.Hour), "", zones, canon))
	}
	for name, x := range map[string]struct {
		do   func(r *Record)
		want string
	}{
		"untouched": {func(*Record) {}, ""},
		"taken out": {func(r *Record) { r.Versions = append(r.Versions[:1], r.Versions[2:]...) }, "record-chain-broken"},
		"last gone": {func(r *Record) { r.Versions = r.Versions[:3] }, ""}, // only a copy of the last hash tells
		"twice":     {func(r *Record) { r.Versions = append(r.Versions, r.Versions[3]) }, "record-version-order"},
		"other id":  {func(r *Record) { r.ID = "other" }, "record-version-changed"},
		"empty":     {func(r *Record) { r.Versions = nil }, "record-empty"},
		"schema":    {func(r *Record) { r.Schema = "sapward/record/2" }, "record-schema"},
		"card": {func(r *Record) {
			k := *r.Versions[2].Content.Card
			k.Content = json.RawMessage(`{"schema":"y"}`)
			r.Versions[2].Content.Card = &k
		}, "record-card-changed"},
		"signature": {func(r *Record) { s := *r.Versions[1].Signature; s.ContentHash = "0"; r.Versions[1].Signature = &s }, "record-signature-content"},
		"unsigned":  {func(r *Record) { r.Versions[1].Signature = nil }, "record-signature-missing"},
	} {
		r := build()
		x.do(r)
		fs := must(Verify(r, canon))
		found := x.want == "" && len(fs) == 0
		for _, f := range fs {
			found = found || f.ID == x.want
		}
		if !found {
			t.Errorf("%s: %v", name, fs)
		}
	}
}

// What the file says and what was understood must be the same.
func TestRead_Refuses(t *testing.T) {
	r := must(New("id", "0", "adviser", at("2026-06-18T08:00:00+02:00").T, world(t, "us-tx"), zones, canon))
	good := string(must(marshal(r)))
	if _, err := Read([]byte(good), canon); err != nil {
		t.Fatal(err)
	}
	for name, s := range map[string]string{
		"unknown name": strings.Replace(good, `"schema"`, `"surprise":1,"schema"`, 1),
		"name twice":   strings.Replace(good, `"engine":"0"`, `"engine":"1","engine":"0"`, 1),
		"other case":   strings.Replace(good, `"engine"`, `"Engine"`, 1),
		"other offset": strings.Replace(good, `"at":"2026-06-18T08:00:00+02:00"`, `"at":"2026-06-18T08:00:00.000+02:00"`, 1),
		"cut off":      good[:len(good)-10],
		"more behind":  good + "{}",
		"a bad time":   strings.Replace(good, "2026-06-17T08:05:00+02:00", "2026-06-17 08:05", 1),
		"other unit":   strings.Replace(good, `"unit":"Cel"`, `"unit":"mL"`, 1),
		"list":         "[]", "nothing": "", "null": "null",
	} {
		if s == good {
			t.Fatalf("%s: nothing was changed", name)
		}
		if _, err := Read([]byte(s), canon); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
}

// What contradicts itself is not written.
func TestValidate(t *testing.T) {
	for _, x := range []struct {
		from, to, want string
	}{
		{`"zone": "Europe/Madrid"`, `"zone": "Europe/Atlantis"`, "record-zone-unknown"},
		{`"zone": "Europe/Madrid", `, ``, "record-zone-needed"},
		{`"start": "2026-06-17T08:05:00+02:00"`, `"start": "2026-06-17T08:05:00+01:00"`, "record-offset"},
		{`"date": "2026-06-17"`, `"date": "2026-06-16"`, "record-date-differs"},
		{`"end": "2026-06-17T12:40:00+02:00"`, `"end": "2026-06-17T07:40:00+02:00"`, "record-end-before-start"},
		{`"code": "1ULMG"`, `"code": "elm"`, "record-eppo"},
		{`"stage": "75"`, `"stage": "full leaf"`, "record-bbch"},
		{`"type_of_use": "open"`, `"type_of_use": "outside"`, "record-type-of-use"},
		{`"method": "injection"`, `"method": "spray"`, "record-method"},
		{`"lat": 45.9`, `"lat": 95.9`, "record-degrees"},
		{`"lat": 45.9, `, ``, "record-degrees-half"},
		{`"area": "0.03 ha"`, `"area": "0 ha"`, "record-not-positive"},
		{`"trees_planted": 164`, `"trees_planted": 2`, "record-counts"},
		{`"trees_treated": 3`, `"trees_treated": 4`, "record-tree-count"},
		{`"mix": "281.5 mL"`, `"mix": "0.2 L"`, "record-mix-less"},
		{`"leaked": "1.5 mL"`, `"leaked": "1 L"`, "record-leak-more"},
		{`"total": "281.5 mL"`, `"total": "281 mL"`, "record-sum"},
		{`"tree": "E002"`, `"tree": "E001"`, "record-tree-twice"},
		{`"product": 0`, `"product": 1`, "record-tree-product"},
		{`"leaked_ml": 1.5`, `"leaked_ml": 119`, "record-tree-amount"},
		{`"regimes": []`, `"regimes": ["us-zz"]`, "record-profile-unknown"},
		{`"expires": "2026-12-31"`, `"expires": "2026-06-01"`, "record-expired"},
	} {
		s := strings.Replace(full, x.from, x.to, 1)
		var c Content
		if err := strict([]byte(s), &c); err != nil {
			t.Fatal(x.want, err)
		}
		found := ""
		for _, f := range Validate(&c, zones) {
			if f.ID == x.want {
				found = f.ID
			}
		}
		if s == full || found == "" {
			t.Errorf("%s is not told", x.want)
		}
	}
	for _, bad := range []string{`{"weather":{"wind_speed":"5 knots"}}`, `{"weather":{"wind_direction":"400"}}`, `{"work":{"date":"03/04/26"}}`, `{"work":{"date":"2026-06-18/2026-06-17"}}`, `{"work":{"start":"2026-06-17T08:05"}}`, `{"area":"3 oz"}`, `{"stage":{"none":""}}`, `{"weather":{"wind_speed":"-1 m/s"}}`, `{"area":"1234567890.1234567 ha"}`} {
		var c Content
		err := strict([]byte(bad), &c)
		var f *finding.Fault
		if err == nil || !errors.As(err, &f) {
			t.Errorf("%s: %v", bad, err)
		}
	}
}

// Whatever the bytes, reading and verifying answer or refuse, and what is read
// is written again as the same record.
func FuzzRead(f *testing.F) {
	r := must(New("id", "0", "adviser", at("2026-06-18T08:00:00+02:00").T, world(f, "us-tx", "eu-2023-564"), zones, canon))
	f.Add(must(Write(r)))
	f.Add([]byte(`{"schema":"sapward/record/1","id":"x","versions":[{"number":1,"kind":"entered","at":"2026-06-18T08:00:00Z","by":"a","content":{"trees":[{"tree":"a","amounts":[{"product":-1}]}]},"hash":""}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := Read(data, canon)
		if err != nil {
			return
		}
		if _, err := Verify(r, canon); err != nil {
			return // a card that is no JSON object
		}
		again, err := Write(r)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Read(again, canon); err != nil {
			t.Fatalf("%v: %s", err, again)
		}
		if v := r.Last(); v != nil {
			Complete(&v.Content)
			Validate(&v.Content, zones)
			Late(r, zones, v.At.T)
			Kept(&v.Content, zones)
		}
	})
}
