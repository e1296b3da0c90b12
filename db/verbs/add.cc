#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "db/basis/ask.h"
#include "db/care/shown.h"
#include "db/verbs/verbs.h"

namespace loadline {
namespace {

int run_add(const Arguments& arguments) {
  Part part;
  part.kind = part_kind_of(arguments.name(0, "the kind of part"));
  const char* kind = part_kind_name(part.kind);
  part.name = arguments.name(1, fmt::format("the name of the {}", kind));
  take_fields(arguments, part);
  take_note(arguments, part.note);
  Book book = Book::open(arguments.book_path(), Book::Mode::kWrite);
  require_distinct_name(book, arguments, part);
  part.id = book.add(part);
  say(arguments, fmt::format("Added {} '{}' to {}.", kind, part.name, book.path()));
  if (arguments.json()) {
    Json out = {{"kind", kind}};
    out.update(part_json(book.part(part.kind, part.id)));
    print_json(out);
  }
  return 0;
}

}  // namespace

Verb add_verb() {
  Verb verb{
      "add",
      "KIND NAME",
      "add a rig, motor, machine, pulley or belt",
      "KIND is rig, motor, machine, pulley or belt. NAME is yours to choose; names with spaces "
      "need quotes. Fields that are not known are left out and can be set later; 'add KIND "
      "--help' shows the fields of one kind alone.",
      "loadline-db add motor \"Drawer 3\" --rated-v 230 --rated-hz 50 --shaft-mm 6.35\n"
      "loadline-db add pulley \"Small brass\" --role motor --rim-mm 21 --groove-top-mm 6.5",
      2,
      boost::program_options::options_description("Options"),
      run_add};
  add_field_options(verb.options);
  verb.options.add_options()("note",
                             boost::program_options::value<std::string>()->value_name("TEXT"),
                             "words to keep with it");
  add_yes_option(verb.options);
  add_common_options(verb.options);
  verb.first_words = "rig motor machine pulley belt";
  verb.option_fits = field_fits;
  return verb;
}

}  // namespace loadline
