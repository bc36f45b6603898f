#!/usr/bin/env bash
# The browser for the page's tests, and the text libraries of the PDF papers, from Debian's packages.
# usage: browser.sh required|optional. Installs only what is missing, and only as root.
set -eu
need=${1:-required}
missing=()
command -v chromium >/dev/null || missing+=(chromium)
ldconfig -p 2>/dev/null | grep -q libpangoft2-1.0 || missing+=(libpangoft2-1.0-0 libpango-1.0-0 libharfbuzz-subset0)
[ "${#missing[@]}" -eq 0 ] && exit 0
if [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null; then
  echo "installing ${missing[*]}"
  export DEBIAN_FRONTEND=noninteractive
  { apt-get update -qq && apt-get install -y -qq --no-install-recommends "${missing[@]}"; } >/dev/null || true
  command -v chromium >/dev/null && exit 0
fi
echo "The page's tests and the PDF papers need ${missing[*]}: install them (Debian: apt-get install ${missing[*]})."
[ "$need" = optional ] && exit 0  # the demo runs without: any browser shows the page, and papers are HTML
exit 2
