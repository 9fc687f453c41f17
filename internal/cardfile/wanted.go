package cardfile

// This file works out what a card holds after a change, apart from its text.
// Sheet reads every changed text again and compares the two.

// changed is what a card holds with the value at a path replaced; nil takes it
// away. Mappings and lists on the way are copied, or made where absent.
func changed(c any, path string, v any) (any, bool) {
	way, ok := steps(path)
	if !ok {
		return nil, false
	}
	return along(c, way, func(any) (any, bool) { return v, true })
}

// grown is what a card holds with one more entry in a list.
func grown(c any, path string, at int, v any) (any, bool) {
	way, ok := steps(path)
	if !ok {
		return nil, false
	}
	return along(c, way, func(old any) (any, bool) {
		list, ok := old.([]any)
		if old != nil && !ok || at > len(list) {
			return nil, false
		}
		out := append(append(append([]any{}, list[:at]...), v), list[at:]...)
		return out, true
	})
}

// shrunk is what a card holds without one entry of a list.
func shrunk(c any, path string) (any, bool) {
	way, ok := steps(path)
	if !ok || way[len(way)-1].index < 0 {
		return nil, false
	}
	i := way[len(way)-1].index
	return along(c, way[:len(way)-1], func(old any) (any, bool) {
		list, ok := old.([]any)
		if !ok || i >= len(list) {
			return nil, false
		}
		return append(append([]any{}, list[:i]...), list[i+1:]...), true
	})
}

// along follows a path through copies and changes what stands at its end.
func along(c any, way []step, last func(any) (any, bool)) (any, bool) {
	if len(way) == 0 {
		return last(c)
	}
	if st := way[0]; st.index < 0 {
		old, ok := c.(map[string]any)
		if c != nil && !ok {
			return nil, false
		}
		out := map[string]any{}
		for k, v := range old {
			out[k] = v
		}
		v, ok := along(out[st.key], way[1:], last)
		if v == nil {
			delete(out, st.key)
		} else {
			out[st.key] = v
		}
		return out, ok
	}
	old, ok := c.([]any)
	if c != nil && !ok || way[0].index > len(old) {
		return nil, false
	}
	out := append([]any{}, old...)
	if way[0].index == len(out) {
		out = append(out, nil)
	}
	v, ok := along(out[way[0].index], way[1:], last)
	out[way[0].index] = v
	return out, ok
}

// tidy drops mappings and lists with nothing in them, as content does.
func tidy(c any) any {
	switch c := c.(type) {
	case map[string]any:
		out := map[string]any{}
		for k, v := range c {
			if v = tidy(v); v != nil {
				out[k] = v
			}
		}
		if len(out) == 0 {
			return nil
		}
		return out
	case []any:
		var out []any
		for _, v := range c {
			out = append(out, tidy(v))
		}
		if len(out) == 0 {
			return nil
		}
		return out
	}
	return c
}
