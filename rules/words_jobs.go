package rules

import (
	"fmt"
	"strings"
)

// The sentences about jobs.

func begunInClosed(step, job, state string) string {
	return fmt.Sprintf("The %s was begun in %s, which is %s. It is judged and kept there, for want of another. Reopen that job, or begin a new one and then the step.", step, job, state)
}

func jobOfNoSystem(mark string, systems []string) string {
	return fmt.Sprintf("A mark %s does not say of which system: write it before the rest, as in \"%s: ...\". The site has %s. The mark is kept, and changes nothing.", mark, systems[0], strings.Join(systems, ", "))
}

func jobUnknown(mark string, number, of int) string {
	return fmt.Sprintf("A mark %s names job %d, but the system has %d so far. The mark is kept, and changes nothing.", mark, number, of)
}

func jobOverReopened(job, newest string) string {
	return fmt.Sprintf("%s was told to be reopened, but %s was begun since, and an entry belongs to one job. It stays as it was: go on in the newer one.", upper(job), newest)
}

func jobOpenAlready(job string) string {
	return fmt.Sprintf("%s was told to be reopened, and is open. The mark is kept, and changes nothing.", upper(job))
}

func jobClosedAlready(job, state string) string {
	return fmt.Sprintf("%s was told to be closed, and is %s. The mark is kept; the first closing counts.", upper(job), state)
}

func jobArchivedOpen(job string) string {
	return fmt.Sprintf("%s was archived without having been closed: it counts as closed with this mark.", upper(job))
}

func jobStepsRunning(done, steps string) string {
	return fmt.Sprintf("A job was %s while under way: %s. That job's record shows it as it stood then, and in a line what came of it. To have it on record, end it first, then reopen the job and close it again, or begin the step anew in the job that followed.", done, steps)
}

func signedUnclear() string {
	return "A mark signed cannot be read: it reads \"ROLE, NAME\", and after that a drawing if there is one. It is kept, and no signature is made of it. Sign again on the page Record."
}

// jobDone is what a mark did to the job that it ended.
func jobDone(mark string) string {
	if mark == MarkJobBegun {
		return "followed by another"
	}
	return strings.TrimPrefix(mark, "job-")
}
