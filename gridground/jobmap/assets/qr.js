/* A QR code of a text: byte mode, error correction M, versions 1 to 40 (ISO/IEC 18004).
   Own code, drawn as one SVG path. Classic script. */
(function () {
  "use strict";
  var G = window.gridground;
  /* level M, versions 1 to 40: codewords for correction in each block, number of blocks */
  var CORRECTION = [10, 16, 26, 18, 24, 16, 18, 22, 22, 26, 30, 22, 22, 24, 24, 28, 28, 26, 26, 26, 26, 28, 28, 28, 28, 28, 28, 28, 28, 28, 28, 28, 28, 28, 28, 28, 28, 28, 28, 28];
  var BLOCKS = [1, 1, 1, 2, 2, 4, 4, 4, 5, 5, 5, 8, 9, 9, 10, 10, 11, 13, 14, 16, 17, 17, 18, 20, 21, 23, 25, 26, 28, 29, 31, 33, 35, 37, 38, 40, 43, 45, 47, 49];
  function codewords(version) {
    var count = (16 * version + 128) * version + 64, marks = Math.floor(version / 7) + 2;
    if (version > 1) { count -= (25 * marks - 10) * marks - 55; }
    return (version > 6 ? count - 36 : count) >> 3;
  }
  function room(version) { return codewords(version) - CORRECTION[version - 1] * BLOCKS[version - 1]; }

  /* ---- Reed-Solomon over GF(256), x^8 + x^4 + x^3 + x^2 + 1 ---- */
  function times(a, b) {
    var product = 0;
    for (; b; b >>= 1, a = (a << 1) ^ (a & 128 ? 0x11d : 0)) { if (b & 1) { product ^= a; } }
    return product;
  }
  function divisor(degree) {
    var found = [1], root = 1;
    for (var i = 0; i < degree; i += 1, root = times(root, 2)) {
      var next = found.concat([0]);
      found.forEach(function (value, n) { next[n + 1] ^= times(value, root); });
      found = next;
    }
    return found.slice(1);
  }
  function remainder(data, by) {
    var rest = by.map(function () { return 0; });
    data.forEach(function (value) {
      var factor = value ^ rest.shift();
      rest.push(0);
      by.forEach(function (part, n) { rest[n] ^= times(part, factor); });
    });
    return rest;
  }

  /* ---- text to codewords ---- */
  function encoded(text) {
    var bytes = Array.from(new TextEncoder().encode(text)), bits = [];
    function put(value, length) { for (var i = length - 1; i >= 0; i -= 1) { bits.push((value >> i) & 1); } }
    var plain = bytes.every(function (byte) { return byte < 128; }), version = 1;
    function size(v) { return (plain ? 0 : 12) + 4 + (v < 10 ? 8 : 16) + 8 * bytes.length; }
    while (version <= 40 && size(version) > 8 * room(version)) { version += 1; }
    if (version > 40) { return null; }
    if (!plain) { put(7, 4); put(26, 8); } /* what follows is UTF-8 */
    put(4, 4);
    put(bytes.length, version < 10 ? 8 : 16);
    bytes.forEach(function (byte) { put(byte, 8); });
    put(0, Math.min(4, 8 * room(version) - bits.length));
    while (bits.length % 8) { bits.push(0); }
    var data = [];
    for (var i = 0; i < bits.length; i += 8) { data.push(parseInt(bits.slice(i, i + 8).join(""), 2)); }
    for (var pad = 0xec; data.length < room(version); pad ^= 0xec ^ 0x11) { data.push(pad); }
    return { version: version, data: data };
  }
  function interleaved(version, data) {
    var count = BLOCKS[version - 1], all = codewords(version), by = divisor(CORRECTION[version - 1]);
    var small = Math.floor(all / count) - by.length, longer = all % count, blocks = [], from = 0, found = [];
    for (var n = 0; n < count; n += 1) {
      var part = data.slice(from, from + small + (n >= count - longer ? 1 : 0));
      from += part.length;
      blocks.push({ data: part, rest: remainder(part, by) });
    }
    for (var i = 0; i <= small; i += 1) { blocks.forEach(function (block) { if (i < block.data.length) { found.push(block.data[i]); } }); }
    for (i = 0; i < by.length; i += 1) { blocks.forEach(function (block) { found.push(block.rest[i]); }); }
    return found;
  }

  /* ---- modules ---- */
  var MASKS = [
    function (x, y) { return (x + y) % 2; }, function (x, y) { return y % 2; }, function (x) { return x % 3; },
    function (x, y) { return (x + y) % 3; }, function (x, y) { return (Math.floor(x / 3) + Math.floor(y / 2)) % 2; },
    function (x, y) { return x * y % 2 + x * y % 3; }, function (x, y) { return (x * y % 2 + x * y % 3) % 2; },
    function (x, y) { return ((x + y) % 2 + x * y % 3) % 2; }
  ];
  function checked(value, polynomial, degree) {
    var rest = value;
    for (var i = 0; i < degree; i += 1) { rest = (rest << 1) ^ ((rest >> (degree - 1)) * polynomial); }
    return (value << degree) | rest;
  }
  G.qrFormat = function (mask) { return checked(mask, 0x537, 10) ^ 0x5412; }; /* level M is 00 */
  G.qrVersion = function (version) { return checked(version, 0x1f25, 12); };
  function grid(version) {
    var size = version * 4 + 17, dark = [], fixed = [];
    for (var y = 0; y < size; y += 1) { dark.push(new Array(size).fill(0)); fixed.push(new Array(size).fill(false)); }
    var made = { size: size, dark: dark, fixed: fixed };
    made.set = function (x, y, is) { if (x >= 0 && y >= 0 && x < size && y < size) { dark[y][x] = is ? 1 : 0; fixed[y][x] = true; } };
    return made;
  }
  function centres(version, size) {
    if (version === 1) { return []; }
    var count = Math.floor(version / 7) + 2, found = [6];
    var step = version === 32 ? 26 : Math.ceil((size - 13) / (count * 2 - 2)) * 2;
    for (var place = size - 7; found.length < count; place -= step) { found.splice(1, 0, place); }
    return found;
  }
  function patterns(made, version) {
    var size = made.size, x, y;
    for (var i = 0; i < size; i += 1) { made.set(6, i, i % 2 === 0); made.set(i, 6, i % 2 === 0); }
    [[3, 3], [size - 4, 3], [3, size - 4]].forEach(function (corner) {
      for (y = -4; y <= 4; y += 1) {
        for (x = -4; x <= 4; x += 1) { var ring = Math.max(Math.abs(x), Math.abs(y)); made.set(corner[0] + x, corner[1] + y, ring !== 2 && ring !== 4); }
      }
    });
    var spots = centres(version, size), last = spots.length - 1;
    spots.forEach(function (cx, m) {
      spots.forEach(function (cy, n) {
        if ((m === 0 && n === 0) || (m === 0 && n === last) || (m === last && n === 0)) { return; }
        for (y = -2; y <= 2; y += 1) { for (x = -2; x <= 2; x += 1) { made.set(cx + x, cy + y, Math.max(Math.abs(x), Math.abs(y)) !== 1); } }
      });
    });
    if (version < 7) { return; }
    for (i = 0; i < 18; i += 1) {
      var bit = (G.qrVersion(version) >> i) & 1, far = size - 11 + i % 3, near = Math.floor(i / 3);
      made.set(far, near, bit);
      made.set(near, far, bit);
    }
  }
  function format(made, mask) {
    var bits = G.qrFormat(mask), size = made.size;
    function bit(i) { return (bits >> i) & 1; }
    for (var i = 0; i < 15; i += 1) {
      made.set(8, i < 6 ? i : i < 8 ? i + 1 : size - 15 + i, bit(i));
      made.set(i < 8 ? size - 1 - i : i === 8 ? 7 : 14 - i, 8, bit(i));
    }
    made.set(8, size - 8, 1);
  }
  function fill(made, words) {
    var n = 0;
    for (var right = made.size - 1; right >= 1; right -= 2) {
      if (right === 6) { right = 5; }
      for (var i = 0; i < made.size; i += 1) {
        for (var x = right; x > right - 2; x -= 1) {
          var y = (right + 1) & 2 ? i : made.size - 1 - i;
          if (!made.fixed[y][x] && n < words.length * 8) { made.dark[y][x] = (words[n >> 3] >> (7 - (n & 7))) & 1; n += 1; }
        }
      }
    }
  }
  function masked(made, mask) {
    return made.dark.map(function (row, y) {
      return row.map(function (is, x) { return made.fixed[y][x] || MASKS[mask](x, y) ? is : is ^ 1; });
    });
  }
  function penalty(dark) {
    var size = dark.length, sum = 0, count = 0;
    var across = dark.map(function (row) { return row.join(""); });
    var down = dark.map(function (row, x) { return dark.map(function (other) { return other[x]; }).join(""); });
    across.concat(down).forEach(function (text) {
      (text.match(/0{5,}|1{5,}/g) || []).forEach(function (run) { sum += run.length - 2; });
      for (var i = 0; i + 11 <= size; i += 1) { var part = text.substr(i, 11); if (part === "10111010000" || part === "00001011101") { sum += 40; } }
    });
    for (var y = 0; y < size; y += 1) {
      for (var x = 0; x < size; x += 1) {
        count += dark[y][x];
        if (x && y && dark[y][x] === dark[y - 1][x] && dark[y][x] === dark[y][x - 1] && dark[y][x] === dark[y - 1][x - 1]) { sum += 3; }
      }
    }
    return sum + 10 * Math.floor(Math.abs(count * 20 - size * size * 10) / (size * size));
  }

  /* Return rows of 0 and 1 without the quiet zone, or null for a text that is too long. */
  G.qrModules = function (text) {
    var code = encoded(text), best = null, least = Infinity;
    if (!code) { return null; }
    var words = interleaved(code.version, code.data);
    for (var mask = 0; mask < 8; mask += 1) {
      var made = grid(code.version);
      patterns(made, code.version);
      format(made, mask);
      fill(made, words);
      var dark = masked(made, mask), cost = penalty(dark);
      if (cost < least) { least = cost; best = dark; }
    }
    return best;
  };
  G.qrSvg = function (text, label) {
    var rows = G.qrModules(text), space = "http://www.w3.org/2000/svg", path = "";
    if (!rows) { return null; }
    rows.forEach(function (row, y) { row.forEach(function (is, x) { if (is) { path += "M" + (x + 4) + " " + (y + 4) + "h1v1h-1z"; } }); });
    var made = document.createElementNS(space, "svg"), size = rows.length + 8;
    made.setAttribute("viewBox", "0 0 " + size + " " + size);
    made.setAttribute("class", "qr");
    made.setAttribute("role", "img");
    made.setAttribute("aria-label", label);
    made.setAttribute("shape-rendering", "crispEdges");
    [["M0 0H" + size + "V" + size + "H0Z", "#fff"], [path, "#000"]].forEach(function (part) {
      var shape = document.createElementNS(space, "path");
      shape.setAttribute("d", part[0]);
      shape.setAttribute("fill", part[1]);
      made.appendChild(shape);
    });
    return made;
  };
})();
