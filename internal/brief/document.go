package brief

import (
	"bufio"
	"encoding/json"
	"strings"

	"sapward/finding"
	"sapward/plan"
)

// WriteDocument writes a plan document, its trees as they are laid out, so that
// a block larger than memory can be written. also, if not nil, is told of every
// tree that was written. The document is the same whether a plan comes from the
// command line or the app.
//
// Errors: the writer's, the source's, also's own.
func WriteDocument(w *bufio.Writer, job *plan.Job, src plan.Source, also func(*plan.Tree) error) error {
	head := job.Plan
	head.Trees = []plan.Tree{}
	data, err := Marshal(head)
	if err != nil {
		return err
	}
	const tail = "\"trees\": []\n}"
	body, ok := strings.CutSuffix(string(data), tail)
	if !ok {
		return &finding.Fault{Class: finding.Internal, ID: "internal", Args: finding.Args{"cause": finding.Text("plan document without trees")}}
	}
	if _, err := w.WriteString(body + "\"trees\": ["); err != nil {
		return err
	}
	n := 0
	err = job.Lay(src, func(ts []plan.Tree) error {
		for i := range ts {
			sep := "\n    "
			if n > 0 {
				sep = ",\n    "
			}
			n++
			data, err := json.Marshal(&ts[i])
			if err != nil {
				return err
			}
			if _, err := w.WriteString(sep); err != nil {
				return err
			}
			if _, err := w.Write(data); err != nil {
				return err
			}
			if also != nil {
				if err := also(&ts[i]); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	end := "]\n}\n"
	if n > 0 {
		end = "\n  ]\n}\n"
	}
	_, err = w.WriteString(end)
	return err
}

// Marshal writes indented JSON without escaping for HTML.
func Marshal(v any) ([]byte, error) {
	var b strings.Builder
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return []byte(strings.TrimSuffix(b.String(), "\n")), nil
}
