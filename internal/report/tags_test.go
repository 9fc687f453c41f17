package report

import (
	"bytes"
	"fmt"
	"image"
	"image/png"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"sapward/apply/tag"
	"sapward/internal/draw"
	"sapward/internal/lang"
)

// invented tags for so many trees, some with names as people give them.
func inventedTags(t *testing.T, n int) []TreeTag {
	t.Helper()
	var seed [32]byte
	random := rand.NewChaCha8(seed)
	names := []string{"E001", "7", "A-12/b", "Linden by the gate", "Row 14 tree 103", "Extraordinarily long name of an old tree in the farthest corner of the invented orchard behind the mill", "Unbreakablenameofatreethatnobodywouldeverwrite"}
	out := make([]TreeTag, n)
	for i := range out {
		key, err := tag.NewKey(random)
		if err != nil {
			t.Fatal(err)
		}
		code, err := tag.NewCode(random, nil)
		if err != nil {
			t.Fatal(err)
		}
		name := fmt.Sprintf("E%03d", i+1)
		if i < len(names) {
			name = names[i]
		}
		out[i] = TreeTag{Tree: name, Key: key, Code: code}
	}
	return out
}

func tagsInput(t *testing.T, language, paper string, n int, sizes ...TagSize) TagsInput {
	t.Helper()
	return TagsInput{Tags: inventedTags(t, n), Sizes: sizes, Say: lang.New(language, "metric"), Paper: paper, Created: time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC), Engine: "test"}
}

// Nothing leaves the page or its box, tags stand in every size, and the same
// input gives the same bytes.
func TestTags_FitOnBothPapers(t *testing.T) {
	width := widths()
	for _, paper := range []string{"a4", "letter"} {
		for _, l := range lang.Languages {
			in := tagsInput(t, l, paper, 40, TagSizes...)
			var a, b bytes.Buffer
			seen := &placings{}
			if err := writeTags(&a, in, seen); err != nil {
				t.Fatal(err)
			}
			for _, bad := range fits(seen, Input{Paper: paper}, width) {
				t.Errorf("%s %s: %s", l, paper, bad)
			}
			count := map[string]int{}
			for _, x := range seen.texts {
				count[x.s]++
				if x.s != clean(x.s) || strings.HasPrefix(x.s, "tags-") {
					t.Errorf("%s %s: %q", l, paper, x.s)
				}
			}
			for _, tg := range in.Tags {
				if count[tag.Grouped(tg.Code)] != len(TagSizes) {
					t.Errorf("%s %s: code %s stands %d times", l, paper, tg.Code, count[tag.Grouped(tg.Code)])
				}
			}
			if count["E040"] != len(TagSizes) {
				t.Errorf("%s %s: E040 stands %d times", l, paper, count["E040"])
			}
			if err := Tags(&b, in); err != nil || !bytes.Equal(a.Bytes(), b.Bytes()) {
				t.Errorf("%s %s: not the same bytes twice (%v)", l, paper, err)
			}
		}
	}
}

// Every module is half a millimetre or more and the margin has four modules.
func TestTags_ModulesAreLargeEnough(t *testing.T) {
	q, err := draw.NewQR(strings.Repeat("Z", tag.KeyLength), draw.QRQuartile)
	if err != nil {
		t.Fatal(err)
	}
	for name, s := range tagShapes {
		if m := s.square / float64(q.Side()); m < leastModule || s.square > s.h || s.square > s.w {
			t.Errorf("%s: module %.2f mm in a square of %.1f", name, m, s.square)
		}
	}
}

func TestTags_RefusesWhatItCannotWrite(t *testing.T) {
	good := tagsInput(t, "en", "a4", 1)
	for name, change := range map[string]func(*TagsInput){
		"no tags": func(i *TagsInput) { i.Tags = nil }, "no language": func(i *TagsInput) { i.Say = nil }, "paper": func(i *TagsInput) { i.Paper = "b5" },
		"size": func(i *TagsInput) { i.Sizes = []TagSize{"huge"} }, "small letters": func(i *TagsInput) { i.Tags[0].Key = "abc" },
		"no key": func(i *TagsInput) { i.Tags[0].Key = "" }, "too long": func(i *TagsInput) { i.Tags[0].Key, i.Sizes = strings.Repeat("A", 300), []TagSize{SmallTag} },
	} {
		in := good
		in.Tags = slices.Clone(good.Tags)
		change(&in)
		if err := Tags(&bytes.Buffer{}, in); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// cutOut cuts the pictures of the codes out of the pages, as a camera sees one
// tag at a time, cut at the margin.
func cutOut(t *testing.T, pages []string, seen *placings, wide float64) (out []string) {
	t.Helper()
	for n, page := range pages {
		f, err := os.Open(page)
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(f)
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		k := float64(img.Bounds().Dx()) / wide
		for i, p := range seen.scenes {
			if p.page != n+1 {
				continue
			}
			cut := image.Rect(int(p.x*k), int(p.y*k), int((p.x+p.w)*k), int((p.y+p.w)*k))
			path := filepath.Join(filepath.Dir(page), fmt.Sprintf("cut-%02d-%03d.png", n, i))
			w, err := os.Create(path)
			if err != nil {
				t.Fatal(err)
			}
			if err := png.Encode(w, img.(interface {
				SubImage(image.Rectangle) image.Image
			}).SubImage(cut)); err != nil {
				t.Fatal(err)
			}
			w.Close()
			out = append(out, path)
		}
	}
	return out
}

// Another program reads every code from the printed page, at 300 dpi as a
// printer has it and at 150, on both papers: each tag by itself, cut at its
// margin.
func TestTags_OtherProgramReadsThem(t *testing.T) {
	zbar, draw := program(t, "zbarimg"), program(t, "pdftoppm")
	for _, c := range []struct {
		paper, dpi string
		size       TagSize
		n          int
	}{{"a4", "300", SmallTag, 30}, {"letter", "150", SmallTag, 27}, {"letter", "300", MediumTag, 14}, {"a4", "150", LargeTag, 5}} {
		in := tagsInput(t, "es", c.paper, c.n, c.size)
		var b bytes.Buffer
		seen := &placings{}
		if err := writeTags(&b, in, seen); err != nil {
			t.Fatal(err)
		}
		path := save(t, b.Bytes())
		base := filepath.Join(filepath.Dir(path), "page")
		if out, err := exec.Command(draw, "-gray", "-png", "-r", c.dpi, path, base).CombinedOutput(); err != nil {
			t.Fatalf("pdftoppm: %v %s", err, out)
		}
		pages, err := filepath.Glob(base + "*.png")
		if err != nil || len(pages) < 2 {
			t.Fatalf("%d pages, %v", len(pages), err)
		}
		out, err := exec.Command(zbar, append([]string{"--quiet", "--raw", "-Sdisable", "-Sqrcode.enable"}, cutOut(t, pages, seen, papers[c.paper].w)...)...).Output()
		if err != nil {
			t.Errorf("zbarimg: %v", err)
		}
		got := strings.Fields(string(out))
		var want []string
		for _, tg := range in.Tags {
			want = append(want, tg.Key)
		}
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Errorf("%s, %s dpi, %s: %d of %d codes read: %v", c.paper, c.dpi, c.size, len(got), len(want), got)
		}
	}
	if dir := os.Getenv("SAPWARD_SCREENS"); dir != "" {
		for _, paper := range []string{"a4", "letter"} {
			var b bytes.Buffer
			if err := Tags(&b, tagsInput(t, "en", paper, 12, TagSizes...)); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(dir, "tags-"+paper+".pdf"), b.Bytes(), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
}
