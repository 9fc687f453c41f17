package app

import (
	"crypto/sha256"
	"encoding/base32"
)

// crockford is base 32 without the letters people take for digits (Crockford
// 2002, "Base 32").
var crockford = base32.NewEncoding("0123456789ABCDEFGHJKMNPQRSTVWXYZ").WithPadding(base32.NoPadding)

func encode32(b []byte) string { return crockford.EncodeToString(b) }

// TreeCode is the code of a tree for people, on its tag beside the QR code. It
// follows from block and tag and says nothing about them.
func TreeCode(block, tag string) string {
	sum := sha256.Sum256([]byte("sapward code\x00" + block + "\x00" + tag))
	return encode32(sum[:5])
}
