/* What the page holds and says, as its maker took it: the plan's text out of its pieces, and every
   tag and text for the digest. Classic script. */
(function () {
  "use strict";
  var G = window.gridground;
  /* The plan's text unpacked: "~back,length;" in base 36 repeats what stood before, "~;" is a tilde,
     and both kinds of quotes are changed for each other. */
  G.unpacked = function (text) {
    var signs = [];
    function take(some) { Array.from(some).forEach(function (sign) { signs.push(sign); }); }
    text.split("~").forEach(function (part, n) {
      var found = n && /^(?:([0-9a-z]{1,6}),([0-9a-z]{1,6}))?;/.exec(part);
      if (!n) { take(part); return; }
      if (!found) { throw new Error("a part that does not fit"); }
      if (!found[1]) { signs.push("~"); }
      var back = parseInt(found[1], 36), count = found[1] ? parseInt(found[2], 36) : 0;
      if (count && !(back > 0 && back <= signs.length && signs.length + count < 4e6)) { throw new Error("a pointer that does not fit"); }
      for (; count > 0; count -= 1) { signs.push(signs[signs.length - back]); }
      take(part.slice(found[0].length));
    });
    return signs.join("").replace(/["']/g, function (sign) { return sign === "'" ? '"' : "'"; });
  };
  /* What the page says, as its maker took it: tags, and text without blanks. Taken before any script
     of the page writes into it; what the map's script wrote by then stands inside data-live. */
  function marks(node) {
    var found = "", text = "";
    /* runs of blanks count as one; blanks alone between two tags are left out */
    function said() {
      text = text.replace(/[ \t\n\r\f]+/g, " ");
      found += text === " " ? "" : text;
      text = "";
    }
    node.childNodes.forEach(function (child) {
      if (child.nodeType === 3) { text += child.data; }
      if (child.nodeType !== 1) { return; }
      said();
      var tag = Array.prototype.map.call(child.attributes, function (one) { return one.name.toLowerCase() + '="' + one.value + '"'; });
      tag = tag.filter(function (one) { return one.indexOf("data-marks=") !== 0; }).sort();
      found += "<" + [child.localName.toLowerCase()].concat(tag).join(" ") + ">" + (child.hasAttribute("data-live") ? "" : marks(child)) + "</>";
    });
    said();
    return found;
  }
  document.addEventListener("DOMContentLoaded", function () { G.marked = "<html>" + marks(document.documentElement) + "</>"; });
})();
