#!/usr/bin/env bash
# Checks a bundle without the program that made it: signature, sums, chain.
#   bash how-to-check.sh BUNDLE [FINGERPRINT OF THE PAPER]
# Needs bash, openssl 3.0 or later, unzip and coreutils. What it does step by
# step stands in how-to-check.txt.
set -euo pipefail
export LC_ALL=C

fail() { echo "NOT intact: $*"; exit 1; }
bytes() { printf '%b' "$(sed 's/../\\x&/g' <<<"$1")"; } # of hexadecimal digits
sum() { sha256sum | cut -d' ' -f1; }

bundle=$1 paper=${2:-}
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT
names=$(unzip -Z1 "$bundle") || fail "it is no whole zip"
[ -z "$(sort <<<"$names" | uniq -d)" ] || fail "a part is there twice: $(sort <<<"$names" | uniq -d)"
grep -qvE '^(photos/)?[a-z0-9-]+\.[a-z]+$' <<<"$names" && fail "it has a part that no bundle has"
unzip -q "$bundle" -d "$dir" || fail "a part does not unpack"
cd "$dir"

# The signature, by the key that the manifest names.
value() { sed -n "s/^ \"$1\": \"\\{0,1\\}\\([^\",]*\\)\"\\{0,1\\},\\{0,1\\}\$/\\1/p" manifest.json; }
[ -f manifest.json ] && [ -f manifest.sig ] || fail "manifest.json or manifest.sig is missing"
key=$(value key)
[[ $key =~ ^[0-9a-f]{64}$ ]] || fail "manifest.json names no key"
bytes "302a300506032b6570032100$key" >"$dir/.key" # RFC 8410
bytes "$(tr -d '\n' <manifest.sig)" >"$dir/.signature"
openssl pkeyutl -verify -pubin -keyform DER -inkey "$dir/.key" -rawin -in manifest.json -sigfile "$dir/.signature" >/dev/null 2>&1 ||
  fail "manifest.json: its signature does not fit it"
fingerprint=$(bytes "$key" | sum)

# Every part, and no other.
listed=$(sed -n 's/^   "name": "\(.*\)",$/\1/p' manifest.json)
for name in $names; do
  [[ $name = manifest.json || $name = manifest.sig ]] || grep -qxF "$name" <<<"$listed" || fail "$name: it was added"
done
parts=0
while read -r name && read -r wanted; do
  [ -f "$name" ] || fail "$name: it is missing"
  [ "$(sum <"$name")" = "$wanted" ] || fail "$name: it was changed"
  case $name in photos/*) [ "photos/$wanted.jpg" = "$name" ] || fail "$name: it is another picture" ;; esac
  parts=$((parts + 1))
done < <(sed -n -e 's/^   "name": "\(.*\)",$/\1/p' -e 's/^   "sha256": "\(.*\)",$/\1/p' manifest.json)

# The chain, from the first entry on.
hash=$(printf 'standwatch chain 1\n' | sum)
next=1
[ ! -s entries.jsonl ] || split -a 7 -d -l 4096 entries.jsonl "$dir/.link"
while read -r first last wanted; do
  [[ $first = "$next" && $first =~ ^[0-9]+$ && $last =~ ^[0-9]+$ && $((first % 4096)) = 1 && $last -ge $first && $last -lt $((first + 4096)) ]] || fail "chain.txt: a link is missing before entry $next"
  [ $((last % 4096)) = 0 ] || [ "$last" = "$(value entries)" ] || fail "chain.txt: a link ends with entry $last"
  hash=$({ bytes "$hash"; cat "$dir/.link$(printf %07d $((first / 4096)))"; } | sum)
  [ "$hash" = "$wanted" ] || fail "entries.jsonl: the link of entries $first to $last is broken"
  next=$((last + 1))
done <chain.txt
[ "$(wc -l <entries.jsonl)" = $((next - 1)) ] || fail "entries.jsonl: it has other entries than chain.txt"
[ "$hash" = "$(value head)" ] && [ $((next - 1)) = "$(value entries)" ] || fail "manifest.json: its head is not the chain's"

echo "Intact: $parts parts, $((next - 1)) entries."
echo "Signed by the key ${fingerprint}"
paper=$(tr -d ' :\n-' <<<"$paper" | tr A-F a-f)
if [ -z "$paper" ]; then
  echo "Compare it with the paper that was handed over."
elif [ "$paper" = "$fingerprint" ]; then
  echo "That is the paper's."
else
  fail "it is signed by another key than the paper's"
fi
