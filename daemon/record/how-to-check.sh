#!/bin/sh
# Checks a bundle without the program that made it: signature, sums, chain.
#   sh how-to-check.sh BUNDLE [FINGERPRINT OF THE PAPER]
# Needs any shell of POSIX, openssl 3.0 or later, Info-ZIP's unzip (with its
# zipinfo) and sha256sum, beside what POSIX has. What it does step by step stands in how-to-check.txt.
set -eu
export LC_ALL=C

fail() { echo "NOT intact: $*"; exit 1; }
bytes() { # of hexadecimal digits
  printf '%b' "$(printf '%s\n' "$1" | awk '{
    for (i = 1; i < length($0); i += 2)
      printf "\\0%03o", 16 * index("0123456789abcdef", substr($0, i, 1)) + index("0123456789abcdef", substr($0, i + 1, 1)) - 17
  }')"
}
sum() { sha256sum | cut -d' ' -f1; }
hexadecimal() { [ ${#1} = "$2" ] && case $1 in *[!0-9a-f]*) false ;; esac; }
number() { case $1 in '' | *[!0-9]* | 0* | ????????????????*) false ;; esac; }

for tool in openssl zipinfo unzip sha256sum awk; do
  command -v "$tool" >/dev/null || { echo "NOT checked: this machine lacks $tool"; exit 2; }
done
[ $# -gt 0 ] || { echo "NOT checked: say which bundle: sh how-to-check.sh BUNDLE [FINGERPRINT OF THE PAPER]"; exit 2; }
bundle=$1 paper=${2:-}
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT
names=$(zipinfo -1 "$bundle") || fail "it is no whole zip"
twice=$(printf '%s\n' "$names" | sort | uniq -d)
[ -z "$twice" ] || fail "a part is there twice: $twice"
! printf '%s\n' "$names" | grep -qvE '^(photos/)?[a-z0-9-]+\.[a-z]+$' || fail "it has a part that no bundle has"
unzip -q "$bundle" -d "$dir" || fail "a part does not unpack"
cd "$dir"

# The signature, by the key that the manifest names.
value() { sed -n "s/^ \"$1\": \"\\{0,1\\}\\([^\",]*\\)\"\\{0,1\\},\\{0,1\\}\$/\\1/p" manifest.json; }
[ -f manifest.json ] && [ -f manifest.sig ] || fail "manifest.json or manifest.sig is missing"
key=$(value key)
hexadecimal "$key" 64 || fail "manifest.json names no key"
bytes "302a300506032b6570032100$key" >"$dir/.key" # RFC 8410
signature=$(tr -d '\n' <manifest.sig)
hexadecimal "$signature" 128 || fail "manifest.sig is no signature"
bytes "$signature" >"$dir/.signature"
openssl pkeyutl -verify -pubin -keyform DER -inkey "$dir/.key" -rawin -in manifest.json -sigfile "$dir/.signature" >/dev/null 2>&1 ||
  fail "manifest.json: its signature does not fit it"
fingerprint=$(bytes "$key" | sum)

# Every part, and no other.
sed -n 's/^   "name": "\(.*\)",$/\1/p' manifest.json >"$dir/.listed"
for name in $names; do
  [ "$name" = manifest.json ] || [ "$name" = manifest.sig ] || grep -qxF "$name" "$dir/.listed" || fail "$name: it was added"
done
parts=0
sed -n -e 's/^   "name": "\(.*\)",$/\1/p' -e 's/^   "sha256": "\(.*\)",$/\1/p' manifest.json >"$dir/.sums"
while read -r name && read -r wanted; do
  [ -f "$name" ] || fail "$name: it is missing"
  [ "$(sum <"$name")" = "$wanted" ] || fail "$name: it was changed"
  case $name in photos/*) [ "photos/$wanted.jpg" = "$name" ] || fail "$name: it is another picture" ;; esac
  parts=$((parts + 1))
done <"$dir/.sums"

# The chain, from the first entry on.
hash=$(printf 'standwatch chain 1\n' | sum)
next=1
mkdir "$dir/.links" # which sort as the chain does
awk -v dir="$dir/.links" 'NR % 4096 == 1 { if (file) close(file); file = sprintf("%s/%09d", dir, NR) } { print >file }' entries.jsonl
set -- "$dir/.links/"*
while read -r first last wanted; do
  if [ "$first" != "$next" ] || ! number "$first" || ! number "$last" || [ $((first % 4096)) != 1 ] || [ "$last" -lt "$first" ] || [ "$last" -ge $((first + 4096)) ]; then
    fail "chain.txt: a link is missing before entry $next"
  fi
  [ $((last % 4096)) = 0 ] || [ "$last" = "$(value entries)" ] || fail "chain.txt: a link ends with entry $last"
  [ -f "${1-}" ] || fail "chain.txt: it has more links than there are entries"
  hash=$({ bytes "$hash"; cat "$1"; } | sum)
  shift
  [ "$hash" = "$wanted" ] || fail "entries.jsonl: the link of entries $first to $last is broken"
  next=$((last + 1))
done <chain.txt
[ "$(wc -l <entries.jsonl)" = $((next - 1)) ] || fail "entries.jsonl: it has other entries than chain.txt"
[ "$hash" = "$(value head)" ] && [ $((next - 1)) = "$(value entries)" ] || fail "manifest.json: its head is not the chain's"

echo "Intact: $parts parts, $((next - 1)) entries."
echo "Signed by the key ${fingerprint}"
paper=$(printf '%s' "$paper" | tr -d ' :\n-' | tr A-F a-f)
if [ -z "$paper" ]; then
  echo "Compare it with the paper that was handed over."
elif [ "$paper" = "$fingerprint" ]; then
  echo "That is the paper's."
else
  fail "it is signed by another key than the paper's"
fi
