package journal

import "standwatch/rules"

type blockDecoder struct{}

func (d *decoder) block(b batch, in *input, low, high uint64, yield func(rules.Entry) bool) (more bool, err error) {
	return false, errBlob
}
