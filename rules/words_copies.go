package rules

import (
	"fmt"
	"strings"
)

// The sentences about copies.

func copiesDue(due []string, some bool) string {
	if !some {
		return fmt.Sprintf("The hand-over is ended and no copy of the record has gone anywhere. Due are: %s. Send them, or tick what was given by hand, on the page Record.", strings.Join(due, ", "))
	}
	return fmt.Sprintf("The hand-over is ended and copies of the record are still due, or older than the last step: %s. Send them, or tick what was given by hand, on the page Record.", strings.Join(due, ", "))
}

const copiesAllGone = "Everybody who is due one has a copy of the record."

func copiesLeft(due []string) string {
	return fmt.Sprintf("Another job was begun. Of the one before, no copy went to: %s.", strings.Join(due, ", "))
}

func copyUnclear() string {
	return "A mark copy cannot be read: it reads \"WHAT to WHOM, HOW\", and HOW is mail with an address, stick, download or hand. It is kept, and counts for nothing. Tick the copy again on the page Record."
}

func copyRefused(c Copy) string {
	return fmt.Sprintf("The mail server refused the %s for %s (%s): %s. It is not sent again, and that copy is due. Look at the address and send it anew, or leave it by stick or by hand, on the page Record.",
		c.What, c.To, c.How, strings.TrimRight(c.Refused, ". "))
}

func copyGoneSince(c Copy) string {
	return fmt.Sprintf("A copy has gone to %s since: %s, %s.", c.To, c.What, c.How)
}

func copyRefusedLeft(whom string) string {
	return fmt.Sprintf("Another job was begun. The mail to %s that was refused is left at that.", whom)
}
