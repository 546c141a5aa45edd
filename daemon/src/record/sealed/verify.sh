#!/bin/sh
# sh verify.sh                   is this folder as it was sealed? Needs sh and sha256sum, nothing else
# sh verify.sh NUMBER SHA-256    and is that day still the one whose digest was mailed? (HEAD NUMBER:SHA-256 of a mail)
case $0 in */*) cd "${0%/*}" || exit 1 ;; esac
bad() { wrong=yes; echo "WRONG: $1"; }
digest() { set -- $(sha256sum <"$1"); echo "$1"; }
needed() { while read -r from to of; do [ "$of" = "${2#*-*-}" ] && [ "$1" -ge "$from" ] && [ "$1" -le "$to" ] && return; done <sealed/probes; return 1; }
files() { # folder, list of digests, its day, if only texts of probes that stood in the pile on it are needed
    while read -r sum name; do
        if [ -e "$1/$name" ]; then [ "$(digest "$1/$name")" = "$sum" ] || bad "$1/$name is not as it was"
        elif [ -z "$3" ] || needed "$3" "$name"; then bad "$1/$name is missing"; fi
    done <"$2"
}
wrong='' number='' last='' mailed=$1
for section in sealed/*.txt; do
    [ -e "$section" ] || { echo "No day of this pile was sealed when the folder was written."; continue; }
    { read -r _ n; read -r _ day; read -r _ before; read -r _ _ readings; } <"$section"
    [ -z "$last" ] || [ "$n $before" = "$((number + 1)) $last" ] || bad "$day does not follow sealed day $number"
    number=$n last=$(digest "$section") dir=${section%.txt} month=${day#*-}
    if [ "$mailed" = "$n" ]; then mailed=''; [ "$2" = "$last" ] || bad "$day is not the day that was mailed"; fi
    if [ ! -e "$dir/list" ] || [ ! -e sealed/probes ]; then bad "$dir/list or sealed/probes is missing"; continue; fi
    [ "$(digest "$dir/list")" = "$readings" ] || bad "$dir/list is not the list that was sealed"
    files "$dir" "$dir/list" "${day%%-*}${month%-*}${month#*-}"
done
[ -z "$last" ] || [ "head $number $last" = "$(read -r head <HEAD; echo "$head")" ] || bad "HEAD is not sealed day $number"
[ -z "$mailed" ] || bad "day $mailed of the mail is not in this folder"
files . SHA256SUMS ''
[ -z "$wrong" ] || exit 1
echo "All is as it was written${last:+; the last sealed day is HEAD $number:$last}"
