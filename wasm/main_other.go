//go:build !js

package main

import (
	"bufio"
	"fmt"
	"os"
	"strings"
)

// Outside a browser the same calls are read from standard input, a line each:
// the call's name, a space, its JSON.
func main() {
	c := &core{}
	in := bufio.NewScanner(os.Stdin)
	in.Buffer(nil, 1<<28)
	for in.Scan() {
		name, arg, _ := strings.Cut(in.Text(), " ")
		fmt.Println(c.answer(name, arg))
	}
}
