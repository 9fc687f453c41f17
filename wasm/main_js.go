//go:build js

package main

import "syscall/js"

func main() {
	c := &core{}
	js.Global().Set("sapwardCore", js.FuncOf(func(_ js.Value, args []js.Value) any {
		if len(args) != 2 {
			return `{"faults":[{"id":"core-call","args":{"cause":"arguments"}}]}`
		}
		return c.answer(args[0].String(), args[1].String())
	}))
	if ready := js.Global().Get("sapwardReady"); ready.Type() == js.TypeFunction {
		ready.Invoke()
	}
	select {}
}
