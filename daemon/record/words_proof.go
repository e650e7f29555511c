package record

// The sentences of the proof.
const (
	wordsProof        = "Proof"
	wordsProofWhat    = "Everything measured and told stands in the box's journal, each entry chained to all before it, so that none can be changed, added or taken out afterwards without a trace. Corrections are entries of their own; nothing was edited. A bundle of this job holds the journal and this record, signed by the box's key."
	wordsProofKey     = "Fingerprint of the box's key"
	wordsProofHead    = "Head of the chain"
	wordsProofEntries = "Entries"
	wordsProofHow     = "To check a bundle: standwatch verify BUNDLE --key FINGERPRINT, on any machine, without a network. It says that the bundle is intact, or which part was changed; how to do it without that program is written in the bundle. What the signature proves is that this box made it: not who stood before the box, nor that the instruments were right."
	wordsKeyChanged   = "The key by which the box signs was changed. Papers and bundles until now carry the fingerprint %s; those from now on %s."
	wordsProofBehind  = " were not chained yet when this was made: that they came as they are here, the signature says and no link."
	wordsProofNow     = "The chain was made together with this paper: nothing proves that no entry was changed before that."
	wordsProofLate    = " entries were chained later than they came: nothing proves that none of them was changed in between."
)
