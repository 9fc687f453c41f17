package lang

import "encoding/json"

// Subject returns the messages of one file of the catalogue by identifier, so
// that a page that is away from the server can carry what it needs. It is
// empty for a file that is not there.
func Subject(name string) map[string]Message {
	var m map[string]Message
	data, err := files.ReadFile("messages/" + name + ".json")
	if err == nil {
		err = json.Unmarshal(data, &m)
	}
	if err != nil {
		return map[string]Message{}
	}
	return m
}
