package web

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"testing"
)

// The core's program keeps, for every instruction, the file and line of its
// source, for stack traces. Nobody reads those on a phone, and they are a tenth
// of what has to be sent. lean takes them out of a WebAssembly module that
// Go's linker wrote: what the runtime itself needs (frame sizes, maps of
// pointers, names of functions) stays, so a trace still names its functions.
//
// The layout is that of runtime/symtab.go and runtime/runtime2.go (_func,
// pcHeader) of Go 1.20 to 1.27, told by its magic number. Anything else is an
// error, never a guess.
func lean(module []byte) (out []byte, err error) {
	defer func() {
		if r := recover(); r != nil { // cut short, or a layout that is not Go's
			err = fmt.Errorf("not a module that this reads: %v", r)
		}
	}()
	out = bytes.Clone(module)
	m := &memory{}
	if err := m.read(out); err != nil {
		return nil, err
	}
	head, err := m.find([]byte{0xf1, 0xff, 0xff, 0xff, 0, 0, 1, 8})
	if err != nil {
		return nil, err
	}
	const word = 8
	n := int(m.u64(head + word))
	pctab, end, pcln := head+int(m.u64(head+7*word)), head+int(m.u64(head+8*word)), head+int(m.u64(head+8*word))
	if n < 100 || n > 1<<20 || pctab <= head || end <= pctab {
		return nil, fmt.Errorf("a table of %d functions from %d to %d", n, pctab, end)
	}
	keep := make([]bool, end-pctab)
	keep[0] = true // offset 0 says that there is no table
	mark := func(off uint32) error {
		if off == 0 {
			return nil
		}
		for i, first := pctab+int(off), true; ; first = false {
			delta, k := m.varint(i)
			for j := range k {
				keep[i+j-pctab] = true
			}
			if i += k; delta == 0 && !first {
				return nil
			}
			_, k = m.varint(i)
			for j := range k {
				keep[i+j-pctab] = true
			}
			if i += k; i >= end {
				return errors.New("a table of program counters has no end")
			}
		}
	}
	for k := range n {
		f := pcln + int(m.u32(pcln+8*k+4))
		for _, at := range []int{20, 24, 36} { // pcfile, pcln, startLine
			m.zero(f+at, 4)
		}
		if err := mark(m.u32(f + 16)); err != nil { // pcsp
			return nil, err
		}
		for p := range int(m.u32(f + 28)) { // pcdata
			if err := mark(m.u32(f + 44 + 4*p)); err != nil {
				return nil, err
			}
		}
	}
	for i, k := range keep {
		if !k {
			m.zero(pctab+i, 1)
		}
	}
	for at := head + int(m.u64(head+5*word)); at < pctab; at++ { // names of files, and which belong to which package
		m.zero(at, 1)
	}
	return out, nil
}

// The core that is checked in has no lines left, and what is no module of Go's
// linker is told.
func TestCore_HasNoLines(t *testing.T) {
	core := phoneFiles()["core.wasm"].raw()
	again, err := lean(core)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(core, again) {
		t.Error("the core has lines left: run make wasm")
	}
	for _, bad := range [][]byte{nil, []byte("text"), []byte("\x00asm\x01\x00\x00\x00"), append([]byte("\x00asm\x01\x00\x00\x00\x0b\x08\x01\x00\x41\x80\x08\x0b\x02"), 1, 2)} {
		if _, err := lean(bad); err == nil {
			t.Errorf("%q was taken", bad)
		}
	}
}

// memory is the memory a module begins with: pieces of its data section.
type memory struct {
	pieces []piece
}

type piece struct {
	at   int
	data []byte
}

func (m *memory) read(module []byte) error {
	if !bytes.HasPrefix(module, []byte("\x00asm\x01\x00\x00\x00")) {
		return errors.New("no WebAssembly module")
	}
	for i := 8; i < len(module); {
		kind := module[i]
		size, k := binary.Uvarint(module[i+1:])
		i += 1 + k
		if kind == 11 {
			s := module[i : i+int(size)]
			n, k := binary.Uvarint(s)
			for s = s[k:]; n > 0; n-- {
				if s[0] != 0 || s[1] != 0x41 { // an active piece at a constant
					return errors.New("a piece of data of a kind Go does not write")
				}
				at, k := signed(s[2:])
				if s = s[2+k:]; s[0] != 0x0b {
					return errors.New("a piece of data whose place is no constant")
				}
				size, k := binary.Uvarint(s[1:])
				s = s[1+k:]
				m.pieces = append(m.pieces, piece{at, s[:size]})
				s = s[size:]
			}
		}
		i += int(size)
	}
	if len(m.pieces) == 0 {
		return errors.New("no data")
	}
	slices.SortFunc(m.pieces, func(a, b piece) int { return a.at - b.at })
	return nil
}

// signed reads a signed LEB128 number.
func signed(b []byte) (v, n int) {
	for shift := 0; ; n++ {
		v |= int(b[n]&0x7f) << shift
		if shift += 7; b[n] < 0x80 {
			if b[n]&0x40 != 0 {
				v -= 1 << shift
			}
			return v, n + 1
		}
	}
}

// find is where the one place is that begins so.
func (m *memory) find(what []byte) (int, error) {
	found := 0
	for _, p := range m.pieces {
		if i := bytes.Index(p.data, what); i >= 0 {
			if found != 0 || bytes.Contains(p.data[i+1:], what) {
				return 0, errors.New("two tables of functions")
			}
			found = p.at + i
		}
	}
	if found == 0 {
		return 0, errors.New("no table of functions that this reads")
	}
	return found, nil
}

// cell is a byte of memory; nil where the module leaves a zero out.
func (m *memory) cell(at int) *byte {
	lo, hi := 0, len(m.pieces)
	for lo+1 < hi {
		if mid := (lo + hi) / 2; m.pieces[mid].at <= at {
			lo = mid
		} else {
			hi = mid
		}
	}
	if p := m.pieces[lo]; at >= p.at && at < p.at+len(p.data) {
		return &p.data[at-p.at]
	}
	return nil
}

func (m *memory) number(at, size int) (v uint64) {
	for k := range size {
		if c := m.cell(at + k); c != nil {
			v |= uint64(*c) << (8 * k)
		}
	}
	return v
}

func (m *memory) u32(at int) uint32 { return uint32(m.number(at, 4)) }
func (m *memory) u64(at int) uint64 { return m.number(at, 8) }

func (m *memory) zero(at, size int) {
	for k := range size {
		if c := m.cell(at + k); c != nil {
			*c = 0
		}
	}
}

func (m *memory) varint(at int) (v uint32, n int) {
	for shift := 0; ; n++ {
		b := byte(m.number(at+n, 1))
		v |= uint32(b&0x7f) << (shift & 31)
		if shift += 7; b < 0x80 {
			return v, n + 1
		}
	}
}
