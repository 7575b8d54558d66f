#!/bin/sh
# An authority of your own, and a certificate for each part: sh certificates.sh FOLDER NAME…
#
# NAME is what a part is called: broker and influx are reached by that name (and as localhost), a site
# by its id, a hub as hub. Each gets FOLDER/NAME with ca.pem, certificate.pem and key.pem. What is there
# already stays. FOLDER/authority/authority.key signs them all: take it off the machine when you are done.
set -eu
[ $# -ge 2 ] || { echo "usage: sh certificates.sh FOLDER NAME..." >&2; exit 2; }
folder=$1
shift
days=${DAYS:-825}
umask 077
mkdir -p "$folder/authority"
ca=$folder/authority
if [ ! -f "$ca/authority.key" ]; then
  openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 3650 -sha256 \
    -subj "/CN=quietpipe authority" -addext "basicConstraints=critical,CA:TRUE,pathlen:0" \
    -addext "keyUsage=critical,keyCertSign,cRLSign" \
    -keyout "$ca/authority.key" -out "$ca/ca.pem" 2>/dev/null
  chmod 644 "$ca/ca.pem"
fi
for name in "$@"; do
  case $name in
    *[!A-Za-z0-9_-]*|"") echo "not a name: $name (letters, digits, - and _)" >&2; exit 2 ;;
    authority) echo "\"authority\" is taken" >&2; exit 2 ;;
  esac
  own=$folder/$name
  mkdir -p "$own"
  if [ ! -f "$own/key.pem" ]; then
    openssl req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -sha256 -subj "/CN=$name" \
      -keyout "$own/key.pem" -out "$own/request.pem" 2>/dev/null
    printf 'subjectAltName=DNS:%s,DNS:localhost,IP:127.0.0.1\nbasicConstraints=critical,CA:FALSE\nextendedKeyUsage=serverAuth,clientAuth\n' \
      "$name" > "$own/extensions"
    openssl x509 -req -sha256 -days "$days" -in "$own/request.pem" -CA "$ca/ca.pem" \
      -CAkey "$ca/authority.key" -CAcreateserial -extfile "$own/extensions" \
      -out "$own/certificate.pem" 2>/dev/null
    rm "$own/request.pem" "$own/extensions"
  fi
  cp "$ca/ca.pem" "$own/ca.pem"
  chmod 644 "$own/ca.pem" "$own/certificate.pem"
  echo "$own"
done
echo "Each key is readable for you alone: give it to the user of the part it is for." >&2
