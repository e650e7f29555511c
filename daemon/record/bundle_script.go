package record

import _ "embed"

// checkScript checks a bundle by programs that are none of ours; each bundle has it.
//
//go:embed how-to-check.sh
var checkScript []byte
