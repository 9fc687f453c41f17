package main

import (
	"bytes"
	"encoding/json"
	"errors"
)

// The page hands over JSON that encoding/json of this very program wrote. It is
// cut at its members and elements without being read; what is cut out is read
// and checked by encoding/json when it is needed.

var errCut = errors.New("no JSON")

// members calls visit with every member of an object: its name as it stands
// between the quotes, its value as it stands.
func members(b []byte, visit func(name string, value []byte) error) error {
	i := blank(b, 0)
	if i >= len(b) || b[i] != '{' {
		return errCut
	}
	for i = blank(b, i+1); i < len(b) && b[i] != '}'; {
		if b[i] != '"' {
			return errCut
		}
		end := past(b, i)
		if end < 0 {
			return errCut
		}
		name := string(b[i+1 : end-1])
		if i = blank(b, end); i >= len(b) || b[i] != ':' {
			return errCut
		}
		i = blank(b, i+1)
		if end = past(b, i); end < 0 {
			return errCut
		}
		if err := visit(name, b[i:end:end]); err != nil {
			return err
		}
		if i = blank(b, end); i < len(b) && b[i] == ',' {
			i = blank(b, i+1)
		} else if i >= len(b) || b[i] != '}' {
			return errCut
		}
	}
	if i >= len(b) {
		return errCut
	}
	return nil
}

// elements calls visit with every element of a list; null is an empty list.
func elements(b []byte, visit func(value []byte) error) error {
	i := blank(b, 0)
	if bytes.Equal(bytes.TrimSpace(b), []byte("null")) {
		return nil
	}
	if i >= len(b) || b[i] != '[' {
		return errCut
	}
	for i = blank(b, i+1); i < len(b) && b[i] != ']'; {
		end := past(b, i)
		if end < 0 {
			return errCut
		}
		if err := visit(b[i:end:end]); err != nil {
			return err
		}
		if i = blank(b, end); i < len(b) && b[i] == ',' {
			i = blank(b, i+1)
		} else if i >= len(b) || b[i] != ']' {
			return errCut
		}
	}
	if i >= len(b) {
		return errCut
	}
	return nil
}

func blank(b []byte, i int) int {
	for i < len(b) && (b[i] == ' ' || b[i] == '\n' || b[i] == '\t' || b[i] == '\r') {
		i++
	}
	return i
}

// past is the place after the value that begins at i; -1 when it does not end.
func past(b []byte, i int) int {
	if i >= len(b) {
		return -1
	}
	switch b[i] {
	case '"':
		return pastText(b, i)
	case '{', '[':
		depth := 0
		for ; i < len(b); i++ {
			switch b[i] {
			case '"':
				if i = pastText(b, i) - 1; i < 0 {
					return -1
				}
			case '{', '[':
				depth++
			case '}', ']':
				if depth--; depth == 0 {
					return i + 1
				}
			}
		}
		return -1
	}
	from := i
	for i < len(b) && b[i] != ',' && b[i] != '}' && b[i] != ']' && b[i] != ' ' && b[i] != '\n' && b[i] != '\t' && b[i] != '\r' {
		i++
	}
	if i == from {
		return -1
	}
	return i
}

func pastText(b []byte, i int) int {
	for i++; i < len(b); i++ {
		switch b[i] {
		case '\\':
			i++
		case '"':
			return i + 1
		}
	}
	return -1
}

// text reads a JSON string.
func text(b []byte) (s string, err error) {
	if len(b) >= 2 && b[0] == '"' && bytes.IndexByte(b, '\\') < 0 {
		return string(b[1 : len(b)-1]), nil
	}
	return s, json.Unmarshal(b, &s)
}
