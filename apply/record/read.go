package record

import (
	"bytes"
	"encoding/json"
	"io"

	"sapward/finding"
)

// Read decodes a record file of this schema. It refuses names it does not
// know, and a file that says anything its own writing would not say again, such
// as a name given twice: what was understood is what stands there. The chain is
// not judged; that is Verify's task.
//
// Faults: record-unreadable with the decoder's reason, record-schema,
// record-reads-otherwise.
func Read(data []byte, canonical Canonical) (*Record, error) {
	var r Record
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	err := d.Decode(&r)
	if err == nil {
		if _, more := d.Token(); more != io.EOF {
			err = io.ErrNoProgress
		}
	}
	if err != nil {
		fault := finding.Bad("record-unreadable", finding.Where{}, finding.Args{"reason": finding.Text(err.Error())})
		fault.Where.Line, fault.Where.Column = place(data, d.InputOffset())
		fault.Cause = err
		return nil, fault
	}
	if r.Schema != Schema {
		return nil, finding.Bad("record-schema", finding.Where{}, finding.Args{"version": finding.Count(1), "text": finding.Text(r.Schema)})
	}
	again, err := marshal(&r)
	if err != nil {
		return nil, err
	}
	a, err := canonical(data)
	if err != nil {
		return nil, finding.Bad("record-unreadable", finding.Where{}, finding.Args{"reason": finding.Text(err.Error())})
	}
	b, err := canonical(again)
	if err != nil {
		return nil, err
	}
	if !bytes.Equal(a, b) {
		return nil, finding.Bad("record-reads-otherwise", finding.Where{}, nil)
	}
	return &r, nil
}

// Write encodes a record as its file, indented, ending in a new line.
func Write(r *Record) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	err := e.Encode(r)
	return b.Bytes(), err
}

// place turns an offset into line and column, both from 1.
func place(data []byte, offset int64) (line, column int) {
	if offset > int64(len(data)) {
		offset = int64(len(data))
	}
	before := data[:offset]
	return bytes.Count(before, []byte("\n")) + 1, len(before) - bytes.LastIndexByte(before, '\n')
}
